"""``grainscan stock``: what is in the rack, and everything that is written about it."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from grainscan.commands.in_book import (
    FILE,
    MM,
    book_option,
    counted,
    filter_options,
    open_for_reading,
    open_for_writing,
    typed_wrongly,
    wanted,
    write_file,
)
from grainscan.commands.say import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from grainscan.stock.history import KeptScan
    from grainscan.stock.store import Book

__all__ = ["stock"]


@click.group()
def stock() -> None:
    """List, find and write down blanks and logs in the stock book."""


@stock.command(name="list")
@click.argument("codes", nargs=-1, metavar="[CODE]...")
@book_option
@filter_options
@click.option("--csv", "csv_file", type=FILE, help="Write the list to this CSV file.")
@click.option("--json", "json_file", type=FILE, help="Write the list to this JSON file.")
def list_(
    codes: tuple[str, ...],
    book_file: Path | None,
    csv_file: Path | None,
    json_file: Path | None,
    **filters: Any,
) -> None:
    """List blanks, best first: all of them, some by code, or those that the options let through."""
    from grainscan.stock.csv_files import as_csv, as_json_text
    from grainscan.stock.find import find
    from grainscan.stock.list_table import list_table

    with typed_wrongly():
        chosen = wanted(codes, **filters)
    lines = find(open_for_reading(book_file), chosen)
    say(list_table(lines, width=min(shutil.get_terminal_size((100, 24)).columns, 120)))
    if csv_file is not None:
        write_file(csv_file, [as_csv(lines)])
    if json_file is not None:
        write_file(json_file, [as_json_text(lines).encode()])


@stock.command()
@click.argument("code")
@book_option
@click.option("--json", "json_file", type=FILE, help="Write the scan's result to this JSON file.")
@click.option(
    "--green-json", type=FILE, help="Write the sizes to leave green that are kept to this file."
)
def show(
    code: str, book_file: Path | None, json_file: Path | None, green_json: Path | None
) -> None:
    """Show everything the book knows of a blank."""
    from grainscan.stock.history import current_scan

    book = open_for_reading(book_file)
    with typed_wrongly():
        for line in _story(book, code):
            say(line)
        scan = current_scan(book, code)
    if json_file is not None:
        write_file(json_file, [_result_json(scan, code)])
    if green_json is not None:
        write_file(green_json, [_green_json(book, code)])


@stock.command()
@book_option
@click.option("--cut-list", type=FILE, help="Say how many of each part this cut list needs.")
@click.option("--parts", "parts_file", type=FILE, help="A file with parts of your own.")
def summary(book_file: Path | None, cut_list: Path | None, parts_file: Path | None) -> None:
    """Sum up what is in stock, by part and species, and what a cut list still needs."""
    from grainscan.stock.find import summary as sum_up
    from grainscan.stock.list_table import summary_table

    with typed_wrongly():
        needed = None if cut_list is None else _needed(cut_list, parts_file)
    say(summary_table(sum_up(open_for_reading(book_file), needed)))


@stock.command()
@click.argument("code")
@book_option
@click.option("--species", help="Wood, such as ash.")
@click.option("--felled", metavar="DAY", help="When: 2026-01-17, 2026-01 or 2026.")
@click.option("--from", "origin", help="Where it is from.")
@click.option("--notes", help="Anything else.")
@click.option("--end-photo", type=FILE, help="Photograph of the log's end, kept in the book.")
def log(
    code: str,
    book_file: Path | None,
    species: str | None,
    felled: str | None,
    origin: str | None,
    notes: str | None,
    end_photo: Path | None,
) -> None:
    """Add the log CODE, or change what the book says of it."""
    from grainscan.stock.blanks import checked_log, save_log
    from grainscan.stock.photographs import keep_photograph
    from grainscan.stock.records import Log

    with typed_wrongly():
        # Checked before a photograph is kept for it.
        wanted_log = checked_log(Log(code, species, felled, origin, notes))
        book = open_for_writing(book_file)
        kept = None if end_photo is None else keep_photograph(book, end_photo, end_photo.name)
        saved = save_log(book, wanted_log, end_photograph=kept)
    say(_named_values(saved, "end_photograph"))


@stock.command()
@book_option
def logs(book_file: Path | None) -> None:
    """List the logs."""
    from grainscan.stock.blanks import list_logs

    found = list_logs(open_for_reading(book_file))
    say("\n".join(_named_values(log, "end_photograph") for log in found) or "No logs.")


@stock.command()
@click.argument("code", required=False)
@book_option
@click.option("--log", help="Code of the log it is from.")
@click.option("--species", help="Wood, if it is not that of the log.")
@click.option("--width-mm", type=MM, help="Width of face A.")
@click.option("--height-mm", type=MM, help="Width of face B.")
@click.option("--length-mm", type=MM, help="Length.")
@click.option("--made", type=click.Choice(["riven", "sawn"]), help="How it was made.")
@click.option("--made-on", metavar="DAY", help="When, as 2026-03-14.")
@click.option("--made-by", help="By whom.")
@click.option("--rack", help="Its place on the rack.")
@click.option("--part", help="The part it is meant for.")
@click.option("--notes", help="Anything else.")
def blank(code: str | None, book_file: Path | None, **said: Any) -> None:
    """Add the blank CODE, or change what the book says of it.

    Without a CODE a new one is made from the species and the year, such as ash-26-014.
    """
    from grainscan.stock.blanks import next_code, save_blank
    from grainscan.stock.records import Blank

    book = open_for_writing(book_file)
    with typed_wrongly():
        found = code or next_code(book, said["species"] or "")
        saved = save_blank(book, Blank(code=found, **said))
    say(_named_values(saved))


@stock.command()
@click.argument("code")
@click.argument("mass_g", type=float, required=False)
@book_option
@click.option("--moisture", type=float, metavar="PERCENT", help="Moisture content, if measured.")
@click.option("--how", help="How the moisture content was found, such as a meter's name.")
@click.option("--on", "day", metavar="DAY", help="When; today by default.")
@click.option("--by", "who", help="By whom.")
def weigh(
    code: str,
    mass_g: float | None,
    book_file: Path | None,
    moisture: float | None,
    how: str | None,
    day: str | None,
    who: str | None,
) -> None:
    """Write down a weighing of the blank CODE in grams, a moisture content, or both."""
    from grainscan.stock.life import add_weighing
    from grainscan.stock.records import Weighing, today

    with typed_wrongly():
        add_weighing(
            open_for_reading(book_file), code, Weighing(day or today(), mass_g, moisture, how, who)
        )
    say(f"{code}: written down.")


@stock.command()
@click.argument("code")
@click.argument("made_into")
@book_option
@click.option("--on", "day", metavar="DAY", help="When; today by default.")
@click.option("--by", "who", help="By whom.")
@click.option("--notes", help="Anything else.")
def made(
    code: str,
    made_into: str,
    book_file: Path | None,
    day: str | None,
    who: str | None,
    notes: str | None,
) -> None:
    """Write down what the blank CODE was made into."""
    from grainscan.stock.life import add_making
    from grainscan.stock.records import Making, today

    with typed_wrongly():
        add_making(open_for_reading(book_file), code, Making(made_into, day or today(), who, notes))
    say(f"{code}: made into {made_into}.")


@stock.command()
@click.argument("code")
@click.argument("word", type=click.Choice(["keep", "check", "set aside", "as measured"]))
@book_option
@click.option("--by", "who", required=True, help="Who says so.")
@click.option("--why", required=True, help="The reason.")
def overrule(
    code: str,
    word: Literal["keep", "check", "set aside", "as measured"],
    book_file: Path | None,
    who: str,
    why: str,
) -> None:
    """Lay a person's word over the measured one; the measured answer is kept beside it.

    "as measured" takes an overruling back.
    """
    from grainscan.stock.life import overrule as lay_over

    with typed_wrongly():
        sort = None if word == "as measured" else word
        lay_over(open_for_reading(book_file), code, sort, who=who, why=why)
    say(f"{code}: {word}, by {who}.")


@stock.command()
@click.argument("code")
@book_option
def repeat(code: str, book_file: Path | None) -> None:
    """Measure the blank CODE again from the photographs kept, and compare.

    Exit code: 0 if the result is the same to the last digit, 1 if not.
    """
    from grainscan.stock.history import current_scan, repeat_scan
    from grainscan.stock.version import measuring_version

    book = open_for_reading(book_file)
    with typed_wrongly():
        scan = current_scan(book, code)
        if scan is None:
            raise click.ClickException(f"{code} was not scanned yet.")
        result = repeat_scan(book, scan)
    if result == scan.result:
        say(f"{code}: the same result, {result.sort}.")
        return
    say(f"{code}, by {scan.measuring_version}: {scan.result.sort}. {scan.result.because[0]}")
    say(f"{code}, by {measuring_version()}: {result.sort}. {result.because[0]}")
    raise click.exceptions.Exit(1)


@stock.command()
@click.argument("code")
@book_option
@click.option("--really", is_flag=True, help="It is meant: there is no way back.")
def remove(code: str, book_file: Path | None, really: bool) -> None:
    """Delete the blank CODE with its scans and photographs, for good."""
    from grainscan.stock.remove import remove_blank

    with typed_wrongly():
        gone = remove_blank(open_for_reading(book_file), code, really=really)
    say(
        f"{code}: deleted, {counted(gone.scans, 'scan')} and "
        f"{counted(len(gone.photographs), 'photograph')}."
    )


@stock.command(name="read")
@click.argument("csv_file", type=FILE)
@book_option
def read_csv(csv_file: Path, book_file: Path | None) -> None:
    """Add the blanks of a CSV file, or change what the book says of them."""
    from grainscan.from_files import read_content
    from grainscan.stock.csv_files import MOST_BYTES, take_csv
    from grainscan.wording import plain_name

    name = plain_name(csv_file.name)
    with typed_wrongly():
        content = read_content(csv_file, most_bytes=MOST_BYTES, place=name)
        done = take_csv(open_for_writing(book_file), content, name=name)
    say(f"{name}: {counted(done.added, 'blank')} added, {done.changed} changed.")


def _story(book: Book, code: str) -> Iterator[str]:
    """Record, answer and history of a blank, line by line."""
    from grainscan.stock.blanks import get_blank
    from grainscan.stock.green_sizes import green_sizes_of
    from grainscan.stock.history import scans_of
    from grainscan.stock.life import makings_of, overrulings_of, weighings_of
    from grainscan.workshop.dry_words import plan_lines

    yield _named_values(get_blank(book, code))
    for scan in scans_of(book, code):
        version = scan.measuring_version
        yield f"{scan.scanned_at[:10]} scanned by grainscan {version}: {scan.result.sort}"
        yield from (f"    {reason}" for reason in scan.result.because)
        for correction in scan.corrections:
            yield f"    corrected by hand: {correction.what} ({correction.side})"
    for one in overrulings_of(book, code):
        yield f"{one.overruled_at[:10]} {one.sort or 'as measured'}, by {one.who}: {one.why}"
    for weighing in weighings_of(book, code):
        mass = "" if weighing.mass_g is None else f" {weighing.mass_g:g} g"
        percent = weighing.moisture_percent
        moisture = "" if percent is None else f" {percent:g} % moisture"
        yield f"{weighing.weighed_on} weighed:{mass}{moisture}"
    for kept in green_sizes_of(book, code):
        yield f"{kept.planned_at[:10]} {plan_lines(kept.plan)[0]}"
    for making in makings_of(book, code):
        yield f"{making.made_on} made into {making.made_into}"


def _result_json(scan: KeptScan | None, code: str) -> bytes:
    import json

    if scan is None:
        raise click.ClickException(f"{code} was not scanned yet; there is no result to write.")
    return (json.dumps([scan.result.to_dict()], ensure_ascii=False, indent=1) + "\n").encode()


def _green_json(book: Book, code: str) -> bytes:
    import json

    from grainscan.stock.green_sizes import green_sizes_of

    kept = [
        {"planned_at": one.planned_at, "who": one.who, **one.plan.to_dict()}
        for one in green_sizes_of(book, code)
    ]
    return (json.dumps(kept, ensure_ascii=False, indent=1) + "\n").encode()


def _needed(cut_list: Path, parts_file: Path | None) -> dict[str, int]:
    """How many of each part a cut list asks for, spares among them."""
    from grainscan.workshop.cutlist import read_cut_list
    from grainscan.workshop.parts import read_parts, shipped_parts

    own = {} if parts_file is None else read_parts(parts_file)
    wants = read_cut_list(cut_list, {**shipped_parts(), **own}).wants
    return {want.part.name: want.number.count + want.number.spares for want in wants}


def _named_values(record: Any, *left_out: str) -> str:
    """A record on one line: its code, and what is known."""
    import dataclasses

    values = dataclasses.asdict(record)
    code = values.pop("code")
    known = (
        f"{name.replace('_', ' ')}: {' '.join(str(value).split())}"
        for name, value in values.items()
        if value is not None and name not in left_out
    )
    return f"{code}  {'; '.join(known)}".rstrip()
