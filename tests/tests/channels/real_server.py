"""A mail server that is not ours: aiosmtpd with STARTTLS and a login. Says its port, then one line
of JSON for each mail, as Python's email package reads it."""

import asyncio
import email
import email.policy
import json
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult

CERTIFICATE, KEY = sys.argv[1:]


class Handler:
    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.original_content, policy=email.policy.default)
        parts = list(mail.walk())
        print(
            json.dumps(
                {
                    "defects": [repr(defect) for part in parts for defect in part.defects]
                    + [repr(defect) for part in parts for value in part.values() for defect in value.defects],
                    "subject": mail["subject"],
                    "from": mail["from"],
                    "to": mail["to"],
                    "message-id": mail["message-id"],
                    "in-reply-to": mail["in-reply-to"],
                    "type": mail.get_content_type(),
                    "plain": mail.get_body(("plain",)).get_content(),
                    "html": mail.get_body(("html",)).get_content(),
                    "attachments": [
                        {"name": part.get_filename(), "type": part.get_content_type(), "text": part.get_content()}
                        for part in mail.iter_attachments()
                    ],
                }
            ),
            flush=True,
        )
        return "250 2.0.0 taken"


def authenticate(server, session, envelope, mechanism, data):
    good = (data.login, data.password) == (b"watch", b"t1de")
    return AuthResult(success=good, handled=False)


async def main():
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(CERTIFICATE, KEY)

    def session():
        return SMTP(
            Handler(),
            hostname="localhost",
            tls_context=context,
            require_starttls=True,
            authenticator=authenticate,
            auth_required=True,
        )

    server = await asyncio.get_running_loop().create_server(session, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)


asyncio.run(main())
