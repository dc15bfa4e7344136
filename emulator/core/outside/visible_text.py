"""Text from files as it may be shown: what steers a terminal or turns text round becomes visible.

A name in a scenario may hold an escape that clears the screen, sets a window's title or hides what stands
before it, or marks that let a line read from the other side. Everything that is shown goes through
:func:`visible`: the console (emulator.cli.output), pages (emulator.report.page) and JUnit.
"""

from __future__ import annotations

import re

_STEERING = re.compile(
    "["
    "\x00-\x08\x0b-\x1f\x7f"  # C0 but tab and line feed, and delete (ISO/IEC 6429)
    "\x80-\x9f"  # C1 (ISO/IEC 6429)
    "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # marks of direction (Unicode Annex 9)
    "\u2028\u2029\ufeff"  # line and paragraph separators, byte order mark
    "\ud800-\udfff"  # halves of characters, as bytes of a file name that are no text come
    "\ufffe\uffff"  # no characters, nor allowed in XML 1.0
    "]"
)


def visible(text: str) -> str:
    """The same text, each character that would steer what shows it as its escape, such as ``\\x1b``.

    Tabs and line feeds stay.
    """
    return _STEERING.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)
