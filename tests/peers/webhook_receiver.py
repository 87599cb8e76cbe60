"""A receiver that verifies webhooks with the Standard Webhooks library: `webhook_receiver.py SECRET...`.

Prints `listening PORT`, then one JSON line a request: by which of the secrets it was verified, whether the same with another body, and the same sent again
ten minutes late, is refused, and what it says.
"""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from standardwebhooks.webhooks import Webhook, WebhookVerificationError


def verifies(secret, body, headers):
    try:
        Webhook(secret).verify(body, headers)
        return True
    except WebhookVerificationError:
        return False


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        headers = {name.lower(): value for name, value in self.headers.items()}
        secrets = sys.argv[1:]
        late = dict(headers, **{"webhook-timestamp": str(int(headers["webhook-timestamp"]) - 600)})
        told = {
            "verified": [n for n, secret in enumerate(secrets) if verifies(secret, body, headers)],
            "changed": [n for n, secret in enumerate(secrets) if verifies(secret, body + b" ", headers)],
            "late": [n for n, secret in enumerate(secrets) if verifies(secret, body, late)],
            "signatures": len(headers["webhook-signature"].split(" ")),
            "id": headers["webhook-id"],
            "body": json.loads(body),
        }
        print(json.dumps(told), flush=True)
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


server = ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
print("listening", server.server_address[1], flush=True)
server.serve_forever()
