"""The locator: exactness is checked with the standard reader (tomllib) and with texts that tomlkit writes."""

import tomllib

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.bench._places import TooDeep, locate

TEXT = '''# comment with [brackets] and = signs
top = "a"   # trailing
"quoted key" = 1
'literal.key' = 2
a.b.c = 'dotted'

[table]  # comment
x = [ # opens
  "one", # comment ]
  """two
lines""",
  { inner = [1, 2], "in quotes" = '}' },
]
y = { p = { q = 1.5 }, r = "}" }

[[item]]
name = "first"
[item.sub]
deep = true
[[item.leaf]]
v = 1
[[item.leaf]]
v = 2

[[item]]
name = """ends with quotes"""""
"odd \\u00e9 \\"key\\"".z = 1979-05-27 07:32:00
  [item."sub table"]
  indented = +1e3
'''


def leaves(value, path=()):
    yield path, value
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from leaves(item, (*path, index))


def check_every_place(text):
    """Cut each leaf's text out of the file at its place: read alone, it must be the leaf again."""
    places = locate(text)
    assert places.complete
    assert places.duplicates == []
    count = 0
    for path, value in leaves(tomllib.loads(text)):
        if not path:
            continue
        place = places.found[path]
        if (
            isinstance(value, dict | list)
            and text[place.value_start : place.value_start + 1] != "[{"[isinstance(value, dict)]
        ):
            continue  # a table that stands under its own head
        if text.startswith(("[[", "["), place.start) and place.start == place.value_start and isinstance(path[-1], str):
            continue
        assert repr(tomllib.loads("v = " + text[place.value_start : place.value_end])["v"]) == repr(value)
        count += 1
    return count


def test_every_leaf_is_where_the_locator_says():
    assert check_every_place(TEXT) >= 20


@pytest.mark.parametrize(
    ("path", "line", "column"),
    [
        (("top",), 2, 1),
        (("quoted key",), 3, 1),
        (("literal.key",), 4, 1),
        (("a", "b", "c"), 5, 1),
        (("table", "x"), 8, 1),
        (("table", "x", 0), 9, 3),
        (("table", "x", 1), 10, 3),
        (("table", "x", 2, "inner", 1), 12, 17),
        (("table", "x", 2, "in quotes"), 12, 21),
        (("table", "y", "p", "q"), 14, 13),
        (("item",), 16, 1),
        (("item", 0), 16, 1),
        (("item", 0, "sub", "deep"), 19, 1),
        (("item", 0, "leaf", 1, "v"), 23, 1),
        (("item", 1), 25, 1),
        (("item", 1, 'odd é "key"', "z"), 27, 1),
        (("item", 1, "sub table", "indented"), 29, 3),
    ],
)
def test_lines_and_columns_counted_by_hand(path, line, column):
    places = locate(TEXT)
    assert places.line_column(places.found[path].start) == (line, column)


def test_a_missing_key_is_placed_at_its_table_and_a_labelled_channel_under_either_spelling():
    places = locate('[[log]]\n[log.channels]\nrail_current.phase_1 = "I1"\n"rail_current.phase_2" = "I2"\n')
    assert places.line_column(places.find(("log", 0, "channels", "rail_current.phase_1")).start) == (3, 1)
    assert places.line_column(places.find(("log", 0, "channels", "rail_current.phase_2", "column")).start) == (4, 1)
    assert places.line_column(places.find(("log", 0, "name")).start) == (1, 1)
    assert places.find(("nowhere",)) is None


def test_keys_and_tables_that_stand_twice_are_found_with_both_places():
    places = locate("a = 1\nb = 2\na = 3\n[t]\nx = 1\n[u]\n[t]\nx = 2\n[v]\n")
    spots = [(d.path, places.line_column(d.first)[0], places.line_column(d.start)[0]) for d in places.duplicates]
    assert spots == [(("a",), 1, 3), (("t",), 4, 7)]
    assert places.text[places.duplicates[1].start : places.duplicates[1].end] == "[t]\nx = 2\n"


@pytest.mark.parametrize(
    "text", ["x = " + "[" * 100_000, ".".join("a" * 50_000) + " = 1", "x = " + "{a=" * 5000, "[" + "a." * 40 + "a]"]
)
def test_deep_nesting_is_refused_before_anything_is_built(text):
    with pytest.raises(TooDeep):
        locate(text)


_keys = st.text(min_size=1, max_size=8)
_values = st.recursive(
    st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_keys, inner, max_size=3),
    max_leaves=8,
)


def _plain(text):
    return all(ch == "\n" or ch == "\t" or 0x20 <= ord(ch) < 0x7F or 0xA0 <= ord(ch) < 0xD800 for ch in text)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(_keys.filter(_plain), _values, min_size=1, max_size=4))
def test_texts_written_by_tomlkit_are_located_leaf_by_leaf(data):
    try:
        text = tomlkit.dumps(data)
        same = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, UnicodeError):
        return  # what tomlkit does not write as TOML is no input of ours
    places = locate(text)
    assert places.complete
    for path, _ in leaves(same):
        assert path == () or path in places.found


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="ab.=[]{}\"'\\#\n ,1-", max_size=60))
def test_whatever_the_standard_reader_accepts_is_located_whole(text):
    places = locate(text)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    assert places.complete
    for path, _ in leaves(data):
        assert path == () or path in places.found
