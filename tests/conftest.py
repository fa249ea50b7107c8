"""Settings shared by all tests."""

import os

# Set before OpenCV and NumPy are loaded: the tests run beside each other on few cores.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import HealthCheck, settings

# Time per example depends on the machine and what else runs on it, not on the code.
settings.register_profile("grainscan", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("grainscan")


@pytest.fixture
def quick_disk(monkeypatch):
    """Do not wait for the disk: for tests of what is written, not of what a power cut leaves."""
    from grainscan.stock import store

    monkeypatch.setattr(os, "fsync", lambda _handle: None)
    monkeypatch.setattr(store, "_SYNCHRONOUS", "OFF")
