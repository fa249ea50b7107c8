"""No data file can make the program run code."""

import ast
import io
import json
import pickle
import sqlite3
from pathlib import Path

import pytest

from grainscan.errors import GrainscanError

PACKAGE = Path(__file__).parent.parent / "grainscan"
MODULES = [*sorted(PACKAGE.rglob("*.py")), PACKAGE.parent / "app.py"]

# Modules that rebuild objects or run programs from what they read.
NEVER_IMPORTED = {
    "pickle", "cPickle", "_pickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml",
    "code", "codeop", "subprocess", "runpy", "imp", "ctypes", "pty", "xmlrpc",
}  # fmt: skip
NEVER_CALLED = {"eval", "exec", "compile", "__import__", "breakpoint", "input"}
NEVER_CALLED_OF = {
    ("os", "system"), ("os", "popen"), ("os", "execv"), ("os", "execvp"), ("os", "spawnl"),
    ("os", "spawnv"), ("os", "startfile"), ("os", "posix_spawn"), ("pd", "read_pickle"),
    ("pandas", "read_pickle"), ("logging", "config"), ("connection", "enable_load_extension"),
}  # fmt: skip
# Here `import_module` is given names out of this program's own tables.
IMPORT_MODULE_IN = {"commands/group.py", "__init__.py"}


def findings(source, name):
    """What a module does that could run code from a file; empty where it does nothing such."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] in NEVER_IMPORTED]
        elif isinstance(node, ast.ImportFrom):
            found += [node.module] if (node.module or "").split(".")[0] in NEVER_IMPORTED else []
        elif isinstance(node, ast.Call):
            found += _of_call(node, name)
    return found


def _of_call(node, name):
    function = node.func
    words = {k.arg: k.value for k in node.keywords}
    given = [k for k, v in words.items() if isinstance(v, ast.Constant) and v.value is True]
    found = [k for k in given if k in ("allow_pickle", "shell")]
    if isinstance(function, ast.Name) and function.id in NEVER_CALLED:
        found.append(function.id)
    if isinstance(function, ast.Attribute):
        owner = function.value.id if isinstance(function.value, ast.Name) else ""
        if (owner, function.attr) in NEVER_CALLED_OF or function.attr == "enable_load_extension":
            found.append(f"{owner}.{function.attr}")
        fixed = bool(node.args) and isinstance(node.args[0], ast.Constant)
        if function.attr == "import_module" and not fixed and name not in IMPORT_MODULE_IN:
            found.append("import_module")
        if (owner, function.attr) in (("np", "load"), ("numpy", "load")):
            found.append("np.load")
    return found


def test_no_module_runs_what_it_reads():
    assert len(MODULES) > 100
    for path in MODULES:
        name = path.relative_to(PACKAGE).as_posix() if PACKAGE in path.parents else path.name
        assert findings(path.read_text("utf-8"), name) == [], name


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from pickle import loads",
        "import yaml",
        "def f(x):\n    import marshal",
        "eval('1')",
        "exec(open('x').read())",
        "import os\nos.system('x')",
        "np.load('x', allow_pickle=True)",
        "run('x', shell=True)",
        "importlib.import_module(name)",
        "connection.enable_load_extension(True)",
        "__import__('os')",
    ],
)
def test_the_search_finds_what_it_looks_for(source):
    assert findings(source, "any.py")


class Bomb:
    """Rebuilding it from a pickle makes a file."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return Path.touch, (Path(self.path),)


@pytest.fixture
def mark(tmp_path):
    return tmp_path / "it-ran"


def bombs(mark):
    call = "!!python/object/apply:pathlib.Path.touch"
    code = f"__import__('pathlib').Path({str(mark)!r}).touch()"
    array = io.BytesIO()
    import numpy as np

    np.save(array, np.array([Bomb(mark)], dtype=object), allow_pickle=True)
    return {
        "pickle": pickle.dumps(Bomb(mark)),
        "array": array.getvalue(),
        "yaml": f"{call} [!!python/object/apply:pathlib.Path [{mark}]]".encode(),
        "python": code.encode(),
        "template": ("{{" + code + "}} {" + code + "} ${" + code + "} %(" + code + ")s").encode(),
        "xml": f'<!DOCTYPE x [<!ENTITY e SYSTEM "file://{mark}">]><x>&e;</x>'.encode(),
    }  # fmt: skip


def test_the_bombs_are_live(mark):
    pickle.loads(bombs(mark)["pickle"])
    assert mark.exists()


@pytest.mark.parametrize("kind", ["pickle", "array", "yaml", "python", "template", "xml"])
def test_no_reader_runs_what_it_is_given(tmp_path, mark, kind):
    from grainscan.photo.reading import read_photo
    from grainscan.photo.record import read_corrections, read_record
    from grainscan.stock.backup import import_book
    from grainscan.stock.csv_files import blanks_from_csv
    from grainscan.stock.store import open_book
    from grainscan.workshop.cutlist import read_cut_list
    from grainscan.workshop.parts import read_parts, shipped_parts
    from grainscan.workshop.ring_position import rings_from_file
    from grainscan.workshop.weighings import read_weighings
    from grainscan.workshop.woods import read_woods

    path = tmp_path / "given"
    path.write_bytes(bombs(mark)[kind])
    readers = [
        lambda: read_photo(path),
        lambda: read_record(path, blank="x"),
        lambda: read_corrections(path),
        lambda: read_parts(path),
        lambda: read_cut_list(path, shipped_parts()),
        lambda: read_woods(path),
        lambda: read_weighings(path),
        lambda: rings_from_file(path),
        lambda: blanks_from_csv(path.read_bytes()),
        lambda: open_book(path, create=False),
        lambda: import_book(path, tmp_path / "elsewhere" / "book.sqlite"),
    ]
    for reader in readers:
        with pytest.raises(GrainscanError):
            reader()
    assert not mark.exists()


def test_texts_in_results_are_texts(tmp_path, mark):
    """What a result file says of a blank is shown, whatever it looks like."""
    from grainscan.workshop.ring_position import rings_from_file

    code = bombs(mark)["python"].decode()
    end = {"ring_direction_deg": 12.0}
    result = {"schema": 1, "blank": code, "species": code, "end": end}
    path = tmp_path / "r.json"
    path.write_text(json.dumps([result]))
    assert rings_from_file(path).species == code
    assert not mark.exists()


def test_a_book_cannot_load_an_extension(tmp_path):
    from grainscan.stock.store import open_book, reading

    book = open_book(tmp_path / "book.sqlite")
    with reading(book) as connection, pytest.raises(sqlite3.OperationalError, match="not auth"):
        connection.execute("SELECT load_extension('x')")
