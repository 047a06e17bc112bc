"""Whatever is in a file, reading it gives a rig or an error of ours, and the error is short."""

import tomllib
from copy import deepcopy

import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fluxfix import errors, rigfile, shipped

MOST_LINES = 9  # with the line that a command adds, ten: the limit for any failure

TEXT = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
LETTERS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=6)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | LETTERS
    | st.sampled_from(["tilt-x", "frame", "ring", [0, 0, 1]]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(LETTERS | st.sampled_from(["sd", "joint", "kind"]), inner, max_size=3)
    ),
    max_leaves=6,
)


def refusal(read, argument):
    """The message that refuses a file, an empty text if it is read."""
    try:
        read(argument)
    except errors.RigFileError as error:
        return str(error)
    return ""


def read_or_refuse(text):
    """Read a text; if it is refused, check how."""
    message = refusal(rigfile.parse, text)
    lines = message.split("\n") if message else []
    assert len(lines) <= MOST_LINES
    assert all(line.startswith("rig: ") for line in lines)


def without_none(value):
    """TOML has no null."""
    if isinstance(value, dict):
        return {key: without_none(item) for key, item in value.items() if item is not None}
    return [without_none(item) for item in value if item is not None] if isinstance(value, list) else value


def places(value, path=()):
    """Every place in nested tables and lists."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from places(item, (*path, key))


PLACES = list(places(tomllib.loads(TEXT)))
COMMON = settings(max_examples=150, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@COMMON
@given(st.sampled_from(PLACES), VALUES)
def test_any_value_in_any_place(place, value):
    """A value of any type, in the place of any key or table, gives nothing but an error of ours."""
    data = deepcopy(tomllib.loads(TEXT))
    target = data
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    read_or_refuse(tomlkit.dumps(without_none(data)))


@COMMON
@given(
    st.integers(0, len(TEXT)),
    st.integers(0, 12),
    LETTERS | st.sampled_from(["[", "]", "=", '"', "\n", "[[joint]]\n", "1e999", "{"]),
)
def test_any_piece_of_text_anywhere(start, length, inserted):
    """Characters cut out and put in anywhere give nothing but an error of ours."""
    read_or_refuse(TEXT[:start] + inserted + TEXT[start + length :])


@COMMON
@given(st.binary(max_size=200))
def test_random_bytes(tmp_path_factory, content):
    """Random bytes as a file give nothing but an error of ours."""
    path = tmp_path_factory.getbasetemp() / "random.toml"
    path.write_bytes(content)

    assert refusal(rigfile.read, path).startswith(f"{path}: ")  # no file of 200 random bytes has a sensor
