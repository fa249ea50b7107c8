"""Settings shared by all tests."""

import os

# Set before OpenCV and NumPy are loaded: the tests run beside each other on few cores.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import HealthCheck, settings

# Time per example depends on the machine and what else runs on it, not on the code.
settings.register_profile("grainscan", deadline=None, suppress_health_check=[HealthCheck.too_slow])
# The same code must pass or fail each time; new cases: `pytest --hypothesis-profile=grainscan`.
settings.register_profile("same each time", settings.get_profile("grainscan"), derandomize=True)
settings.load_profile("same each time")


@pytest.fixture
def quick_disk(monkeypatch):
    """Do not wait for the disk: for tests of what is written, not of what a power cut leaves."""
    from grainscan.stock import store

    monkeypatch.setattr(os, "fsync", lambda _handle: None)
    monkeypatch.setattr(store, "_SYNCHRONOUS", "OFF")


@pytest.fixture
def fake_measuring(monkeypatch):
    """The page with a stand-in for measuring: 2° on face A, 1° on face B, each ± 0.3°."""
    import sys

    import streamlit as st

    from tests.fake_measuring import FakeMeasuring

    # The harness puts the page in the place of the main module; processes started by later
    # tests would run it again.
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])
    st.cache_data.clear()
    yield FakeMeasuring(angle_a_deg=2.0, angle_b_deg=1.0, spread_deg=0.3).install(monkeypatch)
    st.cache_data.clear()


@pytest.fixture
def page(fake_measuring, tmp_path, monkeypatch):
    """Opens one page over two sample blanks and a stock book of its own."""
    from tests.page_helpers import open_page, write_samples

    monkeypatch.setenv("GRAINSCAN_BOOK", str(tmp_path / "book.sqlite"))
    samples = write_samples(tmp_path / "samples")
    return lambda name: open_page(name, samples, tmp_path)
