"""Importing the package and asking for help load nothing heavy, so both are immediate."""

import re
import resource
import subprocess
import sys
from pathlib import Path

import grainscan

HEAVY = ("cv2", "skimage", "scipy", "streamlit", "pandas", "altair", "PIL", "numpy", "rich")


def modules_after(code):
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stdout.split())


def heavy_after(code):
    return sorted(name for name in HEAVY if name in modules_after(code))


def test_import_is_light():
    assert heavy_after("import grainscan") == []
    assert heavy_after("from grainscan import parse_limit; parse_limit('1:20')") == []


def test_help_is_light():
    code = (
        "from click.testing import CliRunner\n"
        "from grainscan.commands.group import COMMANDS, main_group\n"
        "assert CliRunner().invoke(main_group, ['--help']).exit_code == 0\n"
        "for name in COMMANDS:\n"
        "    assert CliRunner().invoke(main_group, [name, '--help']).exit_code == 0\n"
    )
    assert heavy_after(code) == []


def test_a_scan_loads_no_slow_parts_of_scipy():
    # Each takes a process of a batch as long as part of a blank; scipy.special tells the same laws.
    slow = re.compile(r"(from|import) scipy\.(stats|signal|interpolate)|from scipy import .*signal")
    package = Path(grainscan.__file__).parent
    files = [*package.glob("*.py"), *package.glob("photo/*.py"), *package.glob("measure/*.py")]
    assert len(files) > 50
    assert [f.name for f in files if slow.search(f.read_text(encoding="utf-8"))] == []


def seconds_of(*args):
    """The least processor time of some runs, less an empty interpreter's.

    Processor time, for the clock also counts what the other tests do meanwhile.
    """

    def spent():
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        return used.ru_utime + used.ru_stime

    def least(arguments):
        times = []
        for _ in range(7):
            before = spent()
            subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
            times.append(spent() - before)
        return min(times)

    return least(args) - least(["-c", "pass"])


def test_seconds():
    assert seconds_of("-c", "import grainscan") < 0.15
    assert seconds_of("-m", "grainscan", "--help") < 0.25
