"""A mail server that keeps every message it takes and tells of it: `mail_server.py [GREYLIST_EVERY [DROP_EVERY [DELAY_EVERY [REFUSED...]]]]`.

Prints `listening PORT`, then one JSON line a message, before the client learns that it was taken. Puts off every GREYLIST_EVERYth new message once, as
greylisting servers do; drops the connection in the middle of every DROP_EVERYth text; takes its time with every DELAY_EVERYth. Refuses the addresses
REFUSED for good. 0 is never.
"""

import asyncio
import email
import email.policy
import json
import sys

from aiosmtpd.smtp import SMTP

DELAY_S = 0.3


class Every:
    """Every nth time."""

    def __init__(self, n):
        self.n = int(n)
        self.count = 0

    def comes(self):
        self.count += 1
        return self.n > 0 and self.count % self.n == 0


class Keeper:
    def __init__(self, greylist="0", drop="0", delay="0", *refused):
        self.greylist, self.drop, self.delay = Every(greylist), Every(drop), Every(delay)
        self.refused = set(refused)
        self.known = set()

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address in self.refused:
            return "550 5.1.1 nobody here of that name"
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 known"

    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        message_id = message["Message-ID"]
        if message_id not in self.known:
            self.known.add(message_id)
            if self.greylist.comes():
                return "450 4.7.1 please come back"
        if self.delay.comes():
            await asyncio.sleep(DELAY_S)
        told = {
            "message_id": message_id,
            "in_reply_to": message["In-Reply-To"],
            "references": (message["References"] or "").split(),
            "to": envelope.rcpt_tos,
            "subject": message["Subject"],
            "text": message.get_body(("plain",)).get_content(),
        }
        print(json.dumps(told), flush=True)
        return "250 2.0.0 taken"


class Server(SMTP):
    """Can break off in the middle of a text."""

    async def smtp_DATA(self, arg):
        if self.event_handler.drop.comes():
            await self.push("354 go on")
            await self._reader.readline()
            self.transport.abort()
            return
        await super().smtp_DATA(arg)


async def main():
    keeper = Keeper(*sys.argv[1:])
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: Server(keeper, hostname="peer.example"), "127.0.0.1", 0)
    print("listening", server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


asyncio.run(main())
