"""What a comment line means: layers, features, widths, object markers, settings.

Only general patterns are known here; no program's name decides anything.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

Meaning = tuple[Any, ...]
"""An operation's name followed by its arguments; see `tracker.platefile.meaning`."""

_NUMBER = r"([-+]?\d*\.?\d+)"
_AUXILIARY = re.compile(
    r"skirt|brim|support|raft|prime|wipe|purge|custom|tower|shield|skeleton", re.IGNORECASE
)
_OUTER = re.compile(r"outer|external", re.IGNORECASE)
# How the mesh dialects write "none".
_NO_MESH = frozenset({"NONMESH", "NON-OBJECT", ""})
_MAXIMUM_KEY = 80


def _feature(found: re.Match[str]) -> Meaning:
    text = found.group(1).strip()
    return ("feature", bool(_AUXILIARY.search(text)), bool(_OUTER.search(text)), text)


def _named(dialect: int) -> Callable[[re.Match[str]], Meaning]:
    def meaning(found: re.Match[str]) -> Meaning:
        name = found.group(1).strip()
        return ("object", dialect, "" if name.upper() in _NO_MESH else name, name)

    return meaning


def _marked(found: re.Match[str]) -> Meaning:
    return ("object", 2, found.group(1).strip(), found.group(2).strip())


def _layer(found: re.Match[str]) -> Meaning:
    z = found.group(2) if found.re.groups > 1 else None
    return ("layer", float(z) if z else None, found.group(0)[:6])


# In order: what means something in particular comes before the general "key: value".
_PATTERNS: tuple[tuple[str, Callable[[re.Match[str]], Meaning]], ...] = (
    (r"printing object ((.+?) id:\s*\S+ copy \S+)", _marked),
    (r"start printing object, (unique label id: (\d+))", _marked),
    (r"stop printing object[, ].*", lambda _: ("object", 2, "", "")),
    (r"MESH:(.*)", _named(3)),
    (r"PRINTING:(.*)", _named(4)),
    (r"PRINTING_ID:\s*(-?\d+)", lambda m: ("object_id", m.group(1))),
    (r"(?:TYPE|FEATURE):\s*(.+)", _feature),
    (rf"(?:WIDTH|LINE_WIDTH):\s*{_NUMBER}", lambda m: ("width", float(m.group(1)))),
    (r"LAYER_CHANGE|CHANGE_LAYER|LAYER:\s*-?\d+", _layer),
    (rf"BEGIN_LAYER_OBJECT\s+z=\s*{_NUMBER}.*", lambda m: ("layer", float(m.group(1)), "BEGIN")),
    (rf";\s*-+ layer \d+ \({_NUMBER} @ {_NUMBER}\) -+", _layer),
    (rf"(?:Z|Z_HEIGHT):\s*{_NUMBER}", lambda m: ("layer_z", float(m.group(1)))),
    (rf"(?:HEIGHT|LAYER_HEIGHT):\s*{_NUMBER}", lambda m: ("layer_height", float(m.group(1)))),
    (r"(?:BEFORE|AFTER)_LAYER_CHANGE", lambda _: ("nothing",)),
    (r"thumbnail\w* begin\b.*", lambda _: ("thumbnail", True)),
    (r"thumbnail\w* end\b.*", lambda _: ("thumbnail", False)),
    (r"SETTING_\d+ (.*)", lambda m: ("chunk", m.group(1))),
    (rf"([^:=]{{1,{_MAXIMUM_KEY}}}?)\s+=(?:\s+(.*))?", lambda m: ("setting", m.group(1), m.group(2) or "")),
    (rf"([^:=]{{1,{_MAXIMUM_KEY}}}?)\s*:\s*(.*)", lambda m: ("setting", m.group(1), m.group(2))),
)
_COMPILED = tuple((re.compile(pattern, re.IGNORECASE), build) for pattern, build in _PATTERNS)
# A comment that starts with none of these and holds neither ":" nor "=" means nothing: most prose and all
# picture data leave here.
_HINT = re.compile(r"[:=]|^(?:LAYER_CHANGE|CHANGE_LAYER|BEGIN_LAYER|; ?-+ layer|stop|thumb)", re.IGNORECASE)


def of_comment(comment: str) -> Meaning | None:
    """Return what a comment means, None if nothing.

    Args:
        comment: The text after the first ``;``, line end removed.
    """
    text = comment.strip()
    if not _HINT.search(text):
        return None
    # The whole comment must fit: "INIT printing object" in start code is a decoy.
    for pattern, build in _COMPILED:
        found = pattern.fullmatch(text)
        if found:
            return build(found)
    return None
