"""A mail server that keeps every message it takes and tells of it: `mail_server.py [GREYLIST_EVERY]`.

Prints `listening PORT`, then one JSON line a message, before the client learns that it was taken. Puts off every
GREYLIST_EVERYth new message once, as greylisting servers do.
"""

import asyncio
import email
import email.policy
import json
import sys

from aiosmtpd.smtp import SMTP


class Keeper:
    def __init__(self, greylist_every):
        self.greylist_every = greylist_every
        self.known = set()

    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        message_id = message["Message-ID"]
        if message_id not in self.known:
            self.known.add(message_id)
            if self.greylist_every and len(self.known) % self.greylist_every == 0:
                return "451 4.7.1 please come back"
        told = {
            "message_id": message_id,
            "in_reply_to": message["In-Reply-To"],
            "to": envelope.rcpt_tos,
            "subject": message["Subject"],
            "text": message.get_body(("plain",)).get_content(),
        }
        print(json.dumps(told), flush=True)
        return "250 2.0.0 taken"


async def main():
    keeper = Keeper(int(sys.argv[1]) if len(sys.argv) > 1 else 0)
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(keeper, hostname="peer.example"), "127.0.0.1", 0)
    print("listening", server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


asyncio.run(main())
