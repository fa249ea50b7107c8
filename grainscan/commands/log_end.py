"""``grainscan log-end``: pith and rings of a whole log's end, and the blanks to split from it."""

from __future__ import annotations

from pathlib import Path

import click

from grainscan.commands.bench_common import FILE, allowance_option, length_value, wrong_usage
from grainscan.commands.say import say

__all__ = ["log_end"]


@click.command("log-end", no_args_is_help=True)
@click.argument("photo", metavar="PHOTO", type=FILE)
@click.option("--diameter", callback=length_value, help="Mean diameter of the wood under the bark.")
@click.option("--species", help="Common name of the wood, for the kind of rings.")
@click.option("--pith", metavar="X,Y", help="Pixel of the pith, where the rings do not show it.")
@click.option("--section", metavar="W x H", help="Blank to split: along the rings x along the ray.")
@allowance_option
@click.option("--clear-pith", callback=length_value, help="Radius round the pith to keep clear of.")
@click.option(
    "--clear-rings", type=click.IntRange(1, 200), help="Innermost rings to keep clear of."
)
@click.option(
    "--clear-sapwood", callback=length_value, help="Width under the bark to keep clear of."
)
@click.option(
    "--wedges",
    type=click.Choice(["2", "4", "8", "16", "32"]),
    help="Wedges to split into first; by default those that give most blanks.",
)
@click.option("--first-split", type=float, help="Direction of one split, degrees; such as a check.")
@click.option("--picture", type=FILE, help="Write a picture of what was found to this file.")
@click.option("--csv", "csv_file", type=FILE, help="Write ring widths along the radii to a file.")
@click.option("--billets-csv", type=FILE, help="Write the list of blanks to a file.")
@click.option("--json", "json_file", type=FILE, help="Write what was measured to a file.")
def log_end(
    photo: Path,
    diameter: float | None,
    species: str | None,
    pith: str | None,
    section: str | None,
    allowance: float,
    clear_pith: float | None,
    clear_rings: int | None,
    clear_sapwood: float | None,
    wedges: str | None,
    first_split: float | None,
    picture: Path | None,
    csv_file: Path | None,
    billets_csv: Path | None,
    json_file: Path | None,
) -> None:
    """Find pith and rings on the end of a whole log, and the blanks that can be split from it.

    PHOTO shows the log's end squarely, all of it, filling about two thirds of the picture.
    """
    from grainscan.commands.typed import write_json
    from grainscan.measure.log_end import measure_log_end
    from grainscan.photo.reading import read_photo
    from grainscan.shown import log_end_words as words
    from grainscan.shown.files import write_whole

    with wrong_usage():
        where = None if pith is None else _pixel(pith)
        size = None if section is None else _section(section, diameter)
        pixels = read_photo(photo).pixels
        end = measure_log_end(
            pixels, photo=photo.name, diameter_mm=diameter, species=species, pith_px=where
        )
        say(words.log_end_words(end))
        layout = None
        if size is not None and end.pith_px is not None:
            from grainscan.workshop.billets import layout_billets

            layout = layout_billets(
                end.outline_mm(),
                *size,
                allowance_mm=allowance,
                core_mm=_core(end, clear_pith, clear_rings),
                sapwood_mm=clear_sapwood or 0.0,
                edge_mm=end.edge_error_mm or 0.0,
                wedges=None if wedges is None else int(wedges),
                first_split_deg=first_split,
            )
            say(words.layout_words(layout))
    if csv_file is not None:
        write_whole(csv_file, words.radii_csv(end).encode())
    if billets_csv is not None and layout is not None:
        write_whole(billets_csv, words.billets_csv(layout).encode())
    if json_file is not None:
        write_json(json_file, end.to_dict())
    if picture is not None:
        from grainscan.shown.drawing import jpeg_bytes
        from grainscan.shown.log_end_picture import draw_log_end

        write_whole(picture, jpeg_bytes(draw_log_end(pixels, end, layout)))
    if layout is not None:
        say(words.SPLIT_CAUTION)
    if end.pith_px is None:
        raise click.exceptions.Exit(1)


def _pixel(text: str) -> tuple[float, float]:
    from grainscan.commands.typed import number
    from grainscan.errors import InputError

    parts = text.split(",")
    if len(parts) != 2:
        raise InputError("Give --pith as two numbers: pixels right and down, such as 812,640.")
    return number(parts[0], "pixel"), number(parts[1], "pixel")


def _section(text: str, diameter: float | None) -> tuple[float, float]:
    from grainscan.errors import InputError
    from grainscan.workshop.units import parse_section_mm

    if diameter is None:
        raise InputError("Give the log's --diameter too, so that sizes are known.")
    return parse_section_mm(text)


def _core(end: object, clear_pith: float | None, clear_rings: int | None) -> float:
    from grainscan.errors import InputError
    from grainscan.measure.log_end import LogEnd

    assert isinstance(end, LogEnd)
    core = clear_pith or 0.0
    if clear_rings is not None:
        ring = end.ring_radius_mm(clear_rings)
        if ring is None:
            raise InputError(f"no {clear_rings} rings were read: use --clear-pith instead.")
        core = max(core, ring)
    # The pith itself is known to within its error.
    return core + (end.pith_error or 0.0) * (end.diameter_mm or 0.0) if core else 0.0
