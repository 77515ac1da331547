"""`bringup browse`: the logbook as read-only pages, and the bench in large letters while an attempt is going."""

from __future__ import annotations

import importlib.util
import secrets
import webbrowser

import click

from bringup.commands.common import asked_logbook_option
from bringup.commands.saying import say
from bringup.commands.waiting_rescues import say_what_waits
from bringup.errors import CommandError
from bringup.logbook.server_address import AnyLogbook

INSTALL = "pip install 'bringup[browse]' (from a checkout: pip install '.[browse]')"
NEEDED = ("flask", "waitress")
HERE = "127.0.0.1"
LOOPBACK = (HERE, "localhost", "::1")


@click.command("browse")
@asked_logbook_option
@click.option("--host", default=HERE, show_default=True, metavar="ADDRESS", help="Where to listen.")
@click.option("--port", default=0, type=click.IntRange(0, 65535), metavar="N", help="Else any free one.")
@click.option(
    "--token", metavar="TEXT", help="What others must know to look; needed beyond this computer, else made up."
)
@click.option("--open", "show", is_flag=True, help="Also open the page in the browser.")
def command(logbook: AnyLogbook, host: str, port: int, token: str | None, show: bool) -> None:
    """Serve the logbook as read-only pages: units, attempts, rails over units, search, the bench as it is now.

    Loopback unless --host says otherwise; then a token is asked for. Traffic is not encrypted: on a network that is
    not yours alone put it behind something that is. Ends with Ctrl-C. Needs flask and waitress: pip install
    'bringup[browse]'.
    """
    if lacking := [name for name in NEEDED if importlib.util.find_spec(name) is None]:
        raise CommandError(f"`browse` needs {' and '.join(lacking)}", f"Install it: {INSTALL}")
    from bringup.commands.browse_pages import Pages, sheet
    from bringup.logbook.queries import is_empty
    from bringup.logbook.reading import read
    from bringup.pages.web import serve, site

    say_what_waits(logbook)
    read(logbook, is_empty)  # a logbook that cannot be read is refused here, not on the first page
    if token is not None and not token.strip():
        raise CommandError("an empty token keeps nobody out", "Leave --token out: one is made up.")
    asked = token or ("" if host in LOOPBACK else secrets.token_urlsafe(16))
    pages = Pages(logbook)
    application = site(pages.by_rule(), sheet(), pages.trouble, asked)

    def ready(at: int) -> None:
        address = f"http://{f'[{host}]' if ':' in host else host}:{at}/"
        say(f"{logbook}, read-only, at {address}{f'?token={asked}' if asked else ''}")
        say("Ctrl-C ends it.")
        if show:
            webbrowser.open(address)

    try:
        serve(application, host, port, ready)
    except OSError as error:
        raise CommandError(
            f"it cannot listen on {host}, port {port}: {error.strerror or error}",
            "Name another --port, or an address of this computer with --host.",
        ) from error
    say("\nEnded.")  # by Ctrl-C, which the server takes for its end
