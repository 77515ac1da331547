"""Pages on loopback: the one door to Flask and waitress. Read-only: GET and HEAD; no page runs or sends anything.

On loopback whoever is on this computer may look; a page elsewhere that points its own name here may not: the name asked
for must be this computer's. On other addresses a token is asked for once, and kept in a cookie.
"""

from __future__ import annotations

import hmac
import re
import socket
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import quote

from bringup.core.frozen import frozen
from bringup.errors import BringupError

LOOPBACK = re.compile(r"(localhost|127(\.[0-9]{1,3}){3}|\[::1\])(:[0-9]{1,5})?")
COOKIE = "bringup-token"
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; base-uri 'none';"
    " frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
THREADS = 4
BUG = "This page could not be made: a bug in bringup"


@frozen
class Asked:
    """What a page was asked for: the words in its address, and those behind the `?`."""

    words: Mapping[str, str]
    query: Mapping[str, str]


@frozen
class Picture:
    """What a photo shows. `kind`: jpeg, png, gif or webp, which is what a browser is told that it is."""

    kind: str
    data: bytes


Page = Callable[[Asked], str | Picture]
"""Makes a page, or a picture of one; raises BringupError where it cannot."""
Trouble = Callable[[int, str, list[str]], str]
"""Makes the page of a trouble: HTTP status, heading, lines."""


def site(pages: Mapping[str, Page], sheet: str, trouble: Trouble, token: str = "") -> Any:
    """Return the WSGI application. `pages`: Flask's rule of an address -> page; `sheet`: the style, at /style.css.

    `token`: what must be known to look; "": nothing, and only names of this computer are answered to.
    """
    import flask

    application = flask.Flask(__name__, static_folder=None)

    def refused(status: int, heading: str, *lines: str) -> Any:
        return flask.make_response(trouble(status, heading, list(lines)), status)

    @application.before_request
    def let_in() -> Any:
        request = flask.request
        if request.method not in ("GET", "HEAD"):
            return refused(405, "These pages are for reading")
        if not token:
            named = LOOPBACK.fullmatch(request.host)
            return None if named else refused(403, "Not from there", f"{request.host} is no name of this computer.")
        given = request.args.get("token", "")
        if _same(given, token):
            # From here on the cookie is enough: the token is not to stand in addresses that people pass on.
            # Of the path one leading slash is left: with two it would be the name of another server, also where a
            # tab or a line's end stands between them, which browsers leave out: hence `quote`.
            answer = flask.redirect("/" + quote(request.path.lstrip("/\\")))
            answer.set_cookie(COOKIE, token, httponly=True, samesite="Strict")
            return answer
        if _same(request.cookies.get(COOKIE, ""), token):
            return None
        return refused(403, "A token is needed", "Open the address that `bringup browse` printed, with its token.")

    @application.after_request
    def guarded(answer: Any) -> Any:
        answer.headers.update(HEADERS)
        return answer

    @application.errorhandler(BringupError)
    def not_made(error: BringupError) -> Any:
        return refused(404, "Not to be shown", *str(error).splitlines())

    @application.errorhandler(404)
    def not_there(error: Exception) -> Any:
        del error
        return refused(404, "There is no such page")

    @application.errorhandler(500)
    def bug(error: Any) -> Any:
        # Flask has written where it came from to standard error by now.
        cause = error.original_exception
        lines = [f"{type(cause).__name__}: {cause}"] if cause is not None else []
        return refused(500, BUG, *lines, "Where it came from stands on the standard error of `bringup browse`.")

    def style() -> Any:
        return flask.Response(sheet, mimetype="text/css")

    application.add_url_rule("/style.css", "style", style)
    for rule, page in pages.items():
        application.add_url_rule(rule, rule, _view(page), provide_automatic_options=False)
    return application


def _view(page: Page) -> Callable[..., Any]:
    def view(**words: str) -> Any:
        import flask

        made = page(Asked(words, flask.request.args))
        return made if isinstance(made, str) else flask.Response(made.data, mimetype=f"image/{made.kind}")

    return view


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def serve(application: Any, host: str, port: int, ready: Callable[[int], None]) -> None:
    """Serve until interrupted. `ready` is told the port (0: any free one was asked for). Raises OSError."""
    import waitress

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.create_server((host, port), family=family) as listening:
        server = waitress.create_server(application, sockets=[listening], threads=THREADS, ident="bringup")
        ready(listening.getsockname()[1])
        try:
            server.run()
        finally:
            server.close()
