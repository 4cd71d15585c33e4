"""The running parabola against scipy's own filter, ends included."""

from __future__ import annotations

import numpy as np
import pytest
from evenfall.reduction import align
from scipy import signal


@pytest.mark.outside("scipy.signal.savgol_filter, mode interp (Savitzky and Golay 1964)")
@pytest.mark.parametrize("shape", [(21,), (500,), (2, 31), (3, 800)])
@pytest.mark.parametrize("bandwidth_Hz", [2.0, 5.0, 8.0])
def test_smoothing_is_scipys(shape, bandwidth_Hz):
    values = np.random.default_rng(1).normal(size=shape).cumsum(-1)
    half = min(align._half_width(round(bandwidth_Hz / 80.0, 4)), (shape[-1] - 1) // 2)
    wanted = signal.savgol_filter(values, 2 * half + 1, 2, axis=-1, mode="interp")
    assert half >= 2
    assert align.smooth(values, 1 / 80.0, bandwidth_Hz) == pytest.approx(wanted, abs=1e-9)


def test_too_few_samples_are_left_as_they_are():
    values = np.array([1.0, 5.0, 2.0])
    assert (align.smooth(values, 1 / 80.0) == values).all()
