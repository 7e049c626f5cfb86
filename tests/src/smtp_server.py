"""A mail server that keeps nothing: tells each mail it takes, one line of JSON each.

Addresses that begin with "busy" are turned away for now, the first two times; those that begin with
"nobody" for good.
"""

import asyncio
import json
import sys
from collections import Counter
from email import message_from_bytes, policy

from aiosmtpd.smtp import SMTP

tried = Counter()


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("nobody"):
            return "550 5.1.1 there is nobody of this name"
        if address.startswith("busy"):
            tried[address] += 1
            if tried[address] <= 2:
                return "451 4.3.0 try again later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        message = message_from_bytes(envelope.content, policy=policy.default)
        print(json.dumps({
            "to": envelope.rcpt_tos,
            "headers": [[name, str(value)] for name, value in message.items()],
            "body": message.get_content(),
            "is_ascii": envelope.content.isascii(),
        }), flush=True)
        return "250 taken"


async def main():
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(Handler(), enable_SMTPUTF8=True), "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await loop.run_in_executor(None, sys.stdin.read)  # until whoever started it goes


asyncio.run(main())
