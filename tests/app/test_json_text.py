"""Our indented JSON text against that of the standard library."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phasewright.app.jobs.json_text import json_text

scalars = (
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()
    | st.floats(-1e3, 1e3).map(np.float64)
)  # fmt: skip
keys = st.text() | st.integers() | st.booleans() | st.none() | st.floats(allow_nan=False, allow_infinity=False)
things = st.recursive(
    scalars, lambda inner: st.lists(inner) | st.lists(inner).map(tuple) | st.dictionaries(keys, inner), max_leaves=30
)


@given(things)
def test_the_text_is_that_of_the_standard_library(thing):
    assert json_text(thing) == json.dumps(thing, indent=1, ensure_ascii=False, allow_nan=False)


@pytest.mark.parametrize("thing", [float("nan"), [1.0, float("inf")], {"a": {"b": -float("inf")}}])
def test_a_number_that_is_not_finite_is_refused(thing):
    with pytest.raises(ValueError, match="finite"):
        json_text(thing)


def test_what_json_does_not_know_is_refused():
    with pytest.raises(TypeError):
        json_text({"a": [object()]})
