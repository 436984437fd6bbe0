"""Makes a new studio from the starter that comes with Platemark."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from platemark.durable import make_folder, write_new
from platemark.model.errors import UsageError
from platemark.model.studio import Settings
from platemark.model.units import parse_full_size
from platemark.settings.load import STUDIO_FILE, load_settings
from platemark.settings.studio_file import OUR_FOLDERS

_COMMON_SIZES = ("8x10in", "12x18in", "16x20in", "24x36in", "A4", "A3", "A2")
"""Sizes that get a folder, as far as the lab sells them."""
_SIZE_FOLDERS = 4


def copy_starter(dest: Path) -> Settings:
    """Make a studio: settings, hot folders with ready-made size folders, and room for the rest.

    Args:
        dest: A folder that does not exist yet or is empty.

    Returns:
        The settings of the new studio.

    Raises:
        UsageError: there is something at `dest` already.
    """
    if dest.exists() and not dest.is_dir():
        raise UsageError(f"{dest} is a file.", "Name a folder that does not exist yet.")
    if dest.is_dir() and any(dest.iterdir()):
        raise UsageError(
            f"There is something in {dest} already.",
            "Name a folder that is empty or does not exist yet; nothing was changed.",
        )
    make_folder(dest)
    for relative, source in _starter_files(starter()):
        make_folder((dest / relative).parent)
        write_new(dest / relative, source.read_bytes())
    settings = load_settings(dest)
    for folder in ("profiles", *OUR_FOLDERS):
        make_folder(dest / folder)
    for surface in settings.surfaces:
        hot = dest / settings.studio.hot.path / surface.id
        make_folder(hot)
        for size in size_folders(settings, surface.id):
            make_folder(hot / size)
    return settings


def starter() -> Traversable:
    """Where the starter studio lies: inside an installed package, or in a checkout's `config/`."""
    installed = resources.files("platemark.settings") / "starter"
    if (installed / STUDIO_FILE).is_file():
        return installed
    return Path(__file__).resolve().parents[3] / "config"


def size_folders(settings: Settings, surface_id: str) -> tuple[str, ...]:
    """Sizes that get a folder of their own on a surface: common ones that its lab sells."""
    lab = settings.usual_lab(surface_id)
    product = lab.product_for(surface_id) if lab is not None else None
    if product is None:
        return ()
    sold = [
        name
        for name in _COMMON_SIZES
        if not product.sizes or any(parse_full_size(name).same_as(size) for size in product.sizes)
    ]
    return tuple(sold or map(str, product.sizes))[:_SIZE_FOLDERS]


def _starter_files(folder: Traversable, above: str = "") -> Iterator[tuple[str, Traversable]]:
    for entry in folder.iterdir():
        name = f"{above}{entry.name}"
        if entry.name.startswith(".") or name == "schema":
            continue
        if entry.is_dir():
            yield from _starter_files(entry, f"{name}/")
        else:
            yield name, entry
