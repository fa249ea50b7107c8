"""The page with a stand-in for measuring, for ``streamlit run``: uploads and pictures are real."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

if __name__ == "__main__":
    from grainscan.shown.page import show
    from tests.fake_measuring import FakeMeasuring

    if "grainscan.measure.face" not in sys.modules:
        FakeMeasuring(angle_a_deg=2.0, angle_b_deg=1.0, spread_deg=0.3).install(
            pytest.MonkeyPatch()
        )
    show(ROOT / "sample_images")
