"""Importing the package and asking for help load nothing heavy, so both are immediate."""

import subprocess
import sys
import time

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


def seconds_of(*args):
    """The least of some runs, less an empty interpreter's: other work on the machine only adds."""

    def least(arguments):
        times = []
        for _ in range(7):
            start = time.perf_counter()
            subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
            times.append(time.perf_counter() - start)
        return min(times)

    return least(args) - least(["-c", "pass"])


def test_seconds():
    assert seconds_of("-c", "import grainscan") < 0.15
    assert seconds_of("-m", "grainscan", "--help") < 0.25
