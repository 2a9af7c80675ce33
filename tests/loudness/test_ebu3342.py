"""EBU Tech 3342 v4 (2023) section 4 Table 1: loudness range of signals made from their recipes, +-1 LU."""

from __future__ import annotations

import numpy as np
import pytest

from oyez.loudness import gates
from oyez.loudness.meter import measure
from tests.loudness.programmes import case, tone_segments


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_cases_1_to_4(number, rate):
    recipe = case(number, "ebu3342")
    found = measure(tone_segments(recipe["segments"], rate), rate).loudness_range_lu
    assert found == pytest.approx(recipe["expected_LRA"], abs=recipe["tolerance"])
    # and as near as other meters come on the same signals (computed): 1e-6 LU
    assert found == pytest.approx(recipe["expected_LRA"], abs=1e-3)


def test_case_4_without_the_relative_gate_is_twice_as_wide():
    recipe = case(4, "ebu3342")
    samples = tone_segments(recipe["segments"], 48_000)
    whole = np.array([-50.0, -35.0, -20.0, -35.0, -50.0])
    assert whole.max() - whole.min() == pytest.approx(2 * recipe["expected_LRA"], abs=1.0)
    assert measure(samples, 48_000).loudness_range_lu == pytest.approx(15.0, abs=0.01)


def test_percentiles_are_of_the_nearest_rank():
    # Tech 3342 section 3.1: index round((n - 1) p / 100 + 1), counted from one; here n = 10: ranks 2 and 10
    levels = np.arange(-30.0, -20.0)
    assert gates.loudness_range(10 ** ((levels + 0.691) / 10)) == pytest.approx(levels[9] - levels[1], abs=1e-9)
