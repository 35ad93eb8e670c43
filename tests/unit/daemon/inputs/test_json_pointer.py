"""JSON pointers by the examples of RFC 6901."""

import json

import pytest

from daemon.inputs.json_pointer import parse_pointer, resolve, write_pointer

# RFC 6901, section 5: the document and what each pointer evaluates to.
DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3,
    "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"""
)
EXAMPLES = [
    ("", DOCUMENT),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "value"), EXAMPLES)
def test_examples_of_rfc_6901_section_5(pointer: str, value: object) -> None:
    assert resolve(DOCUMENT, parse_pointer(pointer)) == value


@pytest.mark.parametrize(("pointer", "value"), EXAMPLES)
def test_writing_is_the_reverse_of_parsing(pointer: str, value: object) -> None:
    assert write_pointer(parse_pointer(pointer)) == pointer


def test_tilde_one_is_read_before_tilde_zero() -> None:
    """RFC 6901, section 4: "~01" becomes "~1", never "/"."""
    assert parse_pointer("/~01") == ("~1",)
    assert resolve({"~1": "tilde one", "/": "slash"}, parse_pointer("/~01")) == "tilde one"


@pytest.mark.parametrize("pointer", ["foo", "0", " /foo", "/~2", "/a~", "/~", "/a~b"])
def test_what_is_no_pointer_is_refused(pointer: str) -> None:
    """RFC 6901, section 3: the syntax. "~" stands only before 0 and 1."""
    with pytest.raises(ValueError, match="JSON pointer"):
        parse_pointer(pointer)


@pytest.mark.parametrize(
    "pointer", ["/foo/00", "/foo/01", "/foo/-", "/foo/2", "/foo/-1", "/foo/+1", "/foo/1e0", "/foo/٠"]
)
def test_array_index_without_leading_zeros_and_within_the_array(pointer: str) -> None:
    """RFC 6901, section 4: leading zeros are not allowed; "-" is the element after the last, which does not exist."""
    with pytest.raises(LookupError):
        resolve(DOCUMENT, parse_pointer(pointer))


@pytest.mark.parametrize("pointer", ["/nothing", "/a~1b/c", "/foo/0/0"])
def test_leading_nowhere(pointer: str) -> None:
    with pytest.raises(LookupError):
        resolve(DOCUMENT, parse_pointer(pointer))
