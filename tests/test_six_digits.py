"""A library that gives other last bits changes nothing that is stored or decided."""

import importlib.util
import statistics
import sys

import numpy as np
import pytest
import scipy.special

from pipelines.audit.chance import exact_interval
from pipelines.engine import margins
from pipelines.engine.arrays import to_six_digits


def test_six_digits_whatever_the_size_and_shape():
    values = [[1234567.0, -0.000123456789], [0.0, 1.0], [np.nan, 9.9999996], [np.inf, 1e-300 / 3.0]]
    expected = [[1234570.0, -0.000123457], [0.0, 1.0], [np.nan, 10.0], [np.inf, 3.33333e-301]]
    np.testing.assert_array_equal(to_six_digits(values), expected)
    assert to_six_digits([]).shape == (0,) and to_six_digits(np.float64(2.0 / 3.0)).shape == ()


def test_the_last_bits_go_and_nothing_moves_further_than_they_say():
    values = np.exp(np.random.default_rng(1).normal(0.0, 5.0, 10_000))
    rounded = to_six_digits(values)
    np.testing.assert_allclose(rounded, values, rtol=5.1e-6)
    np.testing.assert_array_equal(to_six_digits(np.nextafter(values, np.inf)), rounded)
    np.testing.assert_array_equal(to_six_digits(rounded), rounded)


def test_limits_of_a_share_do_not_depend_on_the_last_bits(monkeypatch):
    count, of = np.divmod(np.arange(2_000), 45)
    before = exact_interval(np.minimum(count, of), of)
    printed = exact_interval([4], [20], 0.90)
    assert (*printed[0], *printed[1]) == (0.0713539, 0.401028)
    real = scipy.special.betaincinv
    monkeypatch.setattr(scipy.special, "betaincinv", lambda *given: real(*given) * (1.0 + 4e-16))
    np.testing.assert_array_equal(exact_interval(np.minimum(count, of), of), before)


@pytest.mark.parametrize("name", ["cdf", "inv_cdf"])
def test_certainties_do_not_depend_on_the_last_bits(monkeypatch, name):
    nodes, shares = vars(margins.NODES), margins.SHARES
    real = getattr(statistics.NormalDist, name)
    changed = type("Other", (statistics.NormalDist,), {name: lambda *given: real(*given) * (1.0 + 4e-16)})
    monkeypatch.setattr(statistics, "NormalDist", changed)
    spec = importlib.util.spec_from_file_location("margins_anew", margins.__file__)
    anew = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "margins_anew", anew)
    spec.loader.exec_module(anew)
    np.testing.assert_array_equal(anew.SHARES, shares)
    for error, values in vars(anew.NODES).items():
        np.testing.assert_array_equal(values, nodes[error])
