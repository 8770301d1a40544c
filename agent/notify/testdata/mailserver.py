# A mail server that wants encryption and a login and answers every letter with
# one line; what it was told goes to standard output, a line each.
#
# Mailboxes whose name begins with "full" take nothing. With TLS it encrypts from the
# start.
#
#   mailserver.py HOST PORT CERTIFICATE KEY WAY ANSWER [TLS]
import asyncio, ssl, sys

from aiosmtpd.smtp import SMTP, AuthResult

host, port, certificate, key, way, answer, *start = sys.argv[1:]


class Letters:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("full"):
            return "452 4.2.2 mailbox full"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        print("letter", *envelope.rcpt_tos, flush=True)
        return answer


def authenticate(server, session, envelope, mechanism, data):
    print("login", mechanism, data.login.decode(), flush=True)
    return AuthResult(handled=False, success=(data.login, data.password) == (b"arcdrift", b"snow on the line"))


tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
tls.load_cert_chain(certificate, key)
loop = asyncio.new_event_loop()
loop.run_until_complete(loop.create_server(
    lambda: SMTP(Letters(), tls_context=None if start else tls, require_starttls=not start, auth_required=True,
                 auth_require_tls=not start, authenticator=authenticate,
                 auth_exclude_mechanism={"PLAIN", "LOGIN"} - {way}, loop=loop), host, int(port), ssl=tls if start else None))
loop.run_forever()
