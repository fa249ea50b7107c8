"""Medians by one selection are numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from grainscan.measure.medians import median, medians

VALUES = st.floats(-1e6, 1e6, width=32)


@given(arrays(st.sampled_from([np.float32, np.float64]), array_shapes(max_dims=3), elements=VALUES))
def test_medians_are_those_of_numpy(values):
    before = values.copy()
    assert median(values) == np.median(values)
    for axis in range(values.ndim):
        found = medians(values, axis)
        assert found.dtype == values.dtype
        assert np.array_equal(found, np.median(values, axis=axis))
    if values.ndim == 3:
        assert np.array_equal(medians(values, (0, 1)), np.median(values, axis=(0, 1)))
    assert np.array_equal(values, before)


def test_nothing_has_no_median():
    with pytest.raises(ValueError, match="no values"):
        median(np.empty(0))
