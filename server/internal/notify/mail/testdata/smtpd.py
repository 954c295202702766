# An SMTP server by Debian's python3-aiosmtpd, which shares nothing with what sends. It prints its port, then each mail it takes as
# a line of JSON. Recipients that begin with no- are refused for good, later- for now, slow- answered after a minute.
import argparse
import asyncio
import json
import ssl

from aiosmtpd.smtp import SMTP, AuthResult


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("no-"):
            return "550 5.1.1 no such mailbox"
        if address.startswith("later-"):
            return "451 4.7.1 come back later"
        if address.startswith("slow-"):
            await asyncio.sleep(60)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        user = session.auth_data.decode() if session.authenticated else ""
        print(json.dumps({"from": envelope.mail_from, "to": envelope.rcpt_tos, "tls": session.ssl is not None or args.implicit,
                          "user": user, "text": envelope.content.decode()}), flush=True)
        return "250 OK"


def check(server, session, envelope, mechanism, data):
    good = data.login == b"gritwatch" and data.password == b"hush"
    return AuthResult(success=good, handled=False, auth_data=data.login)


parser = argparse.ArgumentParser()
parser.add_argument("--cert")
parser.add_argument("--key")
parser.add_argument("--implicit", action="store_true")
parser.add_argument("--login", action="store_true")
args = parser.parse_args()


async def main():
    context = None
    if args.cert:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(args.cert, args.key)
    starttls = context is not None and not args.implicit

    def make():
        return SMTP(Handler(), tls_context=context if starttls else None, require_starttls=starttls, auth_required=args.login,
                    auth_require_tls=starttls, authenticator=check if args.login else None, loop=asyncio.get_running_loop())

    server = await asyncio.get_running_loop().create_server(make, "127.0.0.1", 0, ssl=context if args.implicit else None)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


asyncio.run(main())
