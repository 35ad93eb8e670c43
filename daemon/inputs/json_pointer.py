"""JSON pointers. Source: RFC 6901, sections 3 and 4."""

import re

_ARRAY_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_BAD_ESCAPE = re.compile(r"~(?![01])")


def parse_pointer(text: str) -> tuple[str, ...]:
    """The reference tokens of a pointer; none for the empty one, which means the whole document.

    Raises ValueError where the text is no pointer.
    """
    if not text:
        return ()
    if not text.startswith("/"):
        raise ValueError("a JSON pointer starts with /")
    if _BAD_ESCAPE.search(text):
        raise ValueError("in a JSON pointer ~ is written ~0 and / inside a name ~1")
    # ~1 before ~0, so that "~01" becomes "~1" and not "/" (RFC 6901, section 4)
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in text[1:].split("/"))


def write_pointer(tokens: tuple[str, ...]) -> str:
    """The pointer that has these reference tokens."""
    return "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)


def resolve(document: object, tokens: tuple[str, ...]) -> object:
    """The value a pointer leads to. Raises LookupError where it leads nowhere ("-" is past an array's end)."""
    for token in tokens:
        if isinstance(document, dict):
            document = document[token]
        elif isinstance(document, list):
            if not _ARRAY_INDEX.fullmatch(token):
                raise LookupError(token)
            document = document[int(token)]
        else:
            raise LookupError(token)
    return document
