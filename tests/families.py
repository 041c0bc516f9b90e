"""Cases that are much alike, of which the default run of the tests takes the first few, .ci/run all."""

import pytest


def first(count, cases):
    """The cases for parametrize, all but the first few of them slow."""
    cases = list(cases)
    return cases[:count] + [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.slow)
        for case in cases[count:]
    ]
