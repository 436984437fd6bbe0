"""`page`: the status page alone, where no service shows it."""

from __future__ import annotations

from dataclasses import replace

import click

from platemark.app.context import out, studio_of
from platemark.app.page.keys import TOKEN_FILE, VARIABLE
from platemark.model.page import Page
from platemark.settings.load import load_settings


@click.command("page")
@click.option("--port", type=click.IntRange(1, 65_535), help="Another port than studio.toml's.")
@click.option("--host", metavar="ADDRESS", help="Another address than studio.toml's.")
@click.pass_obj
def page(studio: str | None, port: int | None, host: str | None) -> None:
    """Show the status page until Ctrl-C: what waits, what is held and why, what went where.

    The service shows it as well, where [page] in studio.toml says so.
    """
    from platemark.app.page.serve import serve  # a web server is loaded for this alone

    root = studio_of(studio)
    settings = load_settings(root).studio.page
    wanted = replace(settings, port=port or settings.port, host=host or settings.host)
    serve(root, wanted, say=lambda address: _say(wanted, address))


def _say(page: Page, address: str) -> None:
    out(f"The status page is at {address}\nEnd it with Ctrl-C.")
    if not page.is_here_only:
        out(
            f"Others reach it, so it asks for the token: the one in {VARIABLE}, else in the file "
            f"{TOKEN_FILE} in the studio. What travels is not encrypted."
        )
