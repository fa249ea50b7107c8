"""Texts that people hand over: records, parts, cut lists, woods, weighings, results, tables.

Every text here must be refused, each with one line, unless its name begins with ``fine``.
"""

from __future__ import annotations

import json

Texts = dict[str, bytes]


def any_toml(key: str = "species") -> Texts:
    """What no TOML reader of ours may take, whatever keys it wants."""
    name = key.encode()
    return {
        "no-toml": b"species = ash",
        "binary": bytes(range(256)) * 4,
        "nul": name + b" = 'a\0b'",
        "utf-16": f"{key} = 'ash'".encode("utf-16"),
        "latin-1": name + b" = 'fr\xeane'",
        "huge": b"# " + b"x" * 100_000_000,
        "huge-text": name + b" = '" + b"x" * 2_000_000 + b"'",
        "deep": b"x = " + b"[" * 30_000,
        "deep-tables": b"x = " + b"{a=" * 5000 + b"1" + b"}" * 5000,
        "deep-closed": b"x = " + b"[" * 900 + b"]" * 900,
        "long-key": b".".join([b"a"] * 31_000) + b" = 1",
        "long-quoted-key": b".".join([b'","'] * 15_000) + b" = 1",
        "long-header": b"[" + b".".join([b"a"] * 15_000) + b"]\n" + b"b = 1\n" * 5000,
        "unclosed": b'x = "' + b'\\"' * 30_000,
        "unclosed-long": b'x = """' + b'\\"""' * 10_000,
        "long-number": b"x = " + b"9" * 5000,
        "date": name + b" = 2024-02-30",
        "twice": name + b" = 'a'\n" + name + b" = 'b'",
        "unknown-key": b"depth = 3",
        "escape-key": b'"\\u001b[31mred" = 1',
        "list-of-lists": b"x = [" + b"[]," * 15_000 + b"]",
    }


def records() -> Texts:
    """Contents of ``blank.toml``."""
    found = any_toml()
    for key in ("width_mm", "height_mm", "length_mm", "card_check_mm"):
        found |= {
            f"{key}-{name}": f"{key} = {value}".encode()
            for name, value in {
                "nan": "nan", "inf": "inf", "below": "-1", "zero": "0", "large": "1e308",
                "integer": "9" * 400, "hex": "0x" + "f" * 5000, "text": "'25'", "true": "true",
                "date": "2024-02-03", "list": "[25]", "table": "{a = 1}", "tiny": "5e-324",
            }.items()
            if name != "tiny"
        }  # fmt: skip
    for key in ("species", "part", "notes", "made"):
        found |= {f"{key}-number": f"{key} = 3".encode(), f"{key}-list": f"{key} = []".encode()}
    for name, corners in {
        "number": "3", "few": "[[1, 2]]", "text": "'all'",
        "nan": "[[nan, 1], [2, 3], [4, 5], [6, 7]]",
        "huge": f"[[1, 2], [3, 4], [5, 6], [7, {'9' * 400}]]", "nested": "[[[[1]]]]",
    }.items():  # fmt: skip
        found[f"outline-{name}"] = f"[outline_px]\nface_a = {corners}".encode()
    found |= {
        "outline-side": b"[outline_px]\nback = [[1, 2], [3, 4], [5, 6], [7, 8]]",
        "outline-no-table": b"outline_px = 3",
        "snap-number": b"snap = 1",
        "fine-mark-of-utf-8": b"\xef\xbb\xbfspecies = 'ash'",
        "fine-tiny": b"width_mm = 5e-324",
        "fine-escapes": b'species = "\\u001b[31mred"\nnotes = "\\u001b]0;title\\u0007 \\u202e"',
        "fine-markup": b"species = '[bold red]x[/]'\nnotes = '<script>alert(1)</script> =1+1'",
        "fine-empty": b"",
        "fine-long-part": b"part = '" + b"chair rung " * 5000 + b"'",
    }
    return found


def parts() -> Texts:
    station = "{ at = 0, diameter = 14 }, { at = 400, diameter = 14 }"
    rest = 'limit = "chair rung"\nstrength = "bending"\nsource = "own"\n'
    load = '[part."x".load]\nkind = "column"\n'

    def part(profile: str = station, shape: str = '"round"', more: str = "") -> bytes:
        return f'[part."x"]\nshape = {shape}\nprofile = [{profile}]\n{more}{rest}{load}'.encode()

    stations = ", ".join(f"{{ at = {k % 2}, diameter = 14 }}" for k in range(5000))
    return any_toml() | {
        "part-number": b"part = 3",
        "part-empty": b'[part."x"]',
        "shape": part(shape='"banana"'),
        "profile-none": part(profile=""),
        "profile-back": part(profile=stations),
        "profile-nan": part(profile="{ at = 0, diameter = nan }, { at = 9, diameter = 1 }"),
        "profile-large": part(profile=f"{{ at = 0, diameter = {'9' * 400} }}"),
        "length-words": part(profile="{ at = 0, diameter = '1/0 in' }, { at = 9, diameter = 1 }"),
        "tenons": part(more="tenons = [[400, 0]]\n"),
        "tenons-text": part(more="tenons = 'all'\n"),
        "bend": part(more="most_bend = -1\n"),
    }


def cut_lists() -> Texts:
    want = '[[want]]\npart = "chair rung"\ncount = '
    return any_toml("name") | {
        "none": b"name = 'x'\nwant = []",
        "want-number": b"name = 'x'\nwant = 3",
        "want-numbers": b"name = 'x'\nwant = [1, 2]",
        "count-large": f"name = 'x'\n{want}{10**15}".encode(),
        "wants-many": ("name = 'x'\n" + f"{want}1\n" * 1500).encode(),
        "count-half": f"name = 'x'\n{want}1.5".encode(),
        "count-nan": f"name = 'x'\n{want}nan".encode(),
        "count-below": f"name = 'x'\n{want}-4".encode(),
        "part-unknown": b'name = "x"\n[[want]]\npart = "\\u001b[2J"\ncount = 1',
        "twice": f"name = 'x'\n{want}1\n{want}1".encode(),
    }


def woods() -> Texts:
    def wood(text: str) -> bytes:
        return f'[wood."x"]\n{text}'.encode()

    return any_toml("wood") | {
        "value-nan": wood("radial_percent = nan"),
        "value-inf": wood("radial_percent = inf"),
        "value-large": wood("radial_percent = " + "9" * 400),
        "value-below": wood("radial_percent = -4"),
        "value-text": wood("radial_percent = '4'"),
        "also-number": wood("also = 4"),
        "also-numbers": wood("also = [4]"),
        "anatomy": wood("anatomy = 'steel'"),
        "source-number": b"[source]\na = 3\n[wood.x]\nradial_percent = {value = 4, source = 'a'}",
        "clash": b"[wood.x]\nalso = ['red oak']\n[wood.y]\nalso = ['red oak']",
        "name-empty": b'[wood." "]\nradial_percent = 4',
    }


def weighings() -> Texts:
    return {
        "empty": b"",
        "binary": bytes(range(256)) * 4,
        "utf-16": "2026-03-01, 812".encode("utf-16"),
        "words": b"the first of March, heavy",
        "nul": b"2026-03-01, 8\x0012",
        "nan": b"2026-03-01, nan",
        "inf": b"2026-03-01, 1e999",
        "below": b"2026-03-01, -812",
        "no-date": b"2026-02-30, 812",
        "one-field": b"2026-03-01",
        "long-line": b"2026-03-01, " + b"8" * 500_000,
        "long-quoted": b'"' + b"8" * 500_000 + b'", 1',
        "huge": b"2026-03-01, 812\n" * 8_000_000,
        "many": b"".join(b"%04d-03-01, 812\n" % (1 + k % 9000) for k in range(50_000)),
        "same-day": b"2026-03-01, 812\n" * 1500,
        "rising": b"".join(b"2026-03-%02d, %d\n" % (k, 800 + k) for k in range(1, 20)),
        "far-apart": b"0001-01-01, 900\n9999-12-31, 1",
        "large": b"2026-03-01, 1e308\n2026-03-02, 1e307\n2026-03-03, 1e306",
        "small": b"2026-03-01, 5e-324\n2026-03-02, 5e-324\n2026-03-03, 5e-324",
    }


def results() -> Texts:
    """Files given as results of ``grainscan scan --json``."""
    end = {"ring_direction_deg": 12.0, "width_mm": 25.0, "pith": [-3.1, 0.4]}

    def result(**changes: object) -> bytes:
        one = {"schema": 1, "blank": "x", "end": {**end, **changes}}
        return json.dumps([one]).encode()

    return {
        "empty": b"",
        "no-json": b"[{",
        "binary": bytes(range(256)) * 4,
        "utf-16": result().decode().encode("utf-16"),
        "deep": b"[" * 100_000,
        "deep-closed": b"[" * 100_000 + b"]" * 100_000,
        "null": b"null",
        "number": b"1" * 10_000,
        "empty-list": b"[]",
        "schema": b'[{"schema": 2}]',
        "schema-list": b'[{"schema": [1]}]',
        "end-text": b'[{"schema": 1, "blank": "x", "end": "yes"}]',
        "end-empty": b'[{"schema": 1, "blank": "x", "end": {}}]',
        "no-end": b'[{"schema": 1, "blank": "\\u001b[31m\\n"}]',
        "direction-text": result(ring_direction_deg="12"),
        "direction-nan": result(ring_direction_deg=float("nan")),
        "direction-list": result(ring_direction_deg=[1]),
        "direction-large": result(ring_direction_deg=10**400),
        "pith-text": result(pith="near"),
        "pith-large": result(pith=[10**400, 1]),
        "pith-one": result(pith=[1]),
        "pith-inf": result(pith=[float("inf"), 1]),
        "pith-none": result(pith=[None, None]),
        "two": json.dumps([{"schema": 1, "blank": "x"}, {"schema": 1, "blank": "x"}]).encode(),
        "many": json.dumps([{"schema": 1, "blank": f"b{k}"} for k in range(200_000)]).encode(),
        "huge": b"[" + b"0," * 30_000_000 + b"0]",
        "lists": b"[" + b"[]," * 9_000_000 + b"0]",
    }


def tables() -> Texts:
    """CSV files for ``grainscan stock read``."""
    return {
        "binary": bytes(range(256)) * 4,
        "utf-16": "code,species\nx,ash\n".encode("utf-16"),
        "no-code": b"species\nash\n",
        "unknown-column": b"code,\x1b[31m\nx,1\n",
        "twice": b"code\nx\nX\n",
        "number": b"code,width_mm\nx,wide\n",
        "nan": b"code,width_mm\nx,nan\n",
        "inf": b"code,width_mm\nx,1e999\n",
        "large": b"code,width_mm\nx," + b"9" * 400 + b"\n",
        "made": b"code,made\nx,planed\n",
        "date": b"code,made_on\nx,2026-02-30\n",
        "too-many-cells": b"code\nx,y,z\n",
        "quote": b'code,notes\nx,"never closed\n',
        "long-cell": b"code,notes\nx," + b"y" * 1_000_000 + b"\n",
        "huge": b"code\n" + b"x\n" * 30_000_000,
        "slash": b"code\n../../etc/x\n",
        "nul": b"code\nx\0y\n",
        "escape": b"code\n\x1b[31mx\n",
    }
