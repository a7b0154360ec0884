"""What a line means for the machine: an operation's name and its arguments.

The same lines recur thousands of times in a plate, so meanings are plain tuples
that a reader can keep in a table from line to meaning.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

_NUMBERED = re.compile(r"^\s*[Nn]\s*\d+\s*(?=[^\s\d]|$)")
_CHECKSUM = re.compile(r"\*\s*(\d+)\s*$")
# "T1_LOAD" is a macro, "G1X10" is a command: only "_" after the number tells them apart.
_COMMAND = re.compile(r"\s*([GMT])\s*(\d+)(?:\.(\d+))?(?![\d_])", re.IGNORECASE)
_MACRO = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]+)")
_ONE_LETTER = re.compile(r"\s*([A-Za-z])")
_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))?")
_ARGUMENT = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)\s*=\s*(\"[^\"]*\"|'[^']*'|\S*)")
_BRACKETS = re.compile(r"\([^)]*\)?")
# An exponent is one only where words stand apart; in "X1E-5" without blanks E is the axis.
_EXPONENT = re.compile(r"[\s][A-Za-z][-+]?[\d.]+[eE][-+]?\d")
_COORDINATE = re.compile(r"\s*[XYZEFxyzef]\s*[-+.\d]")


TOO_LARGE = 1e8
"""No length, speed or temperature of a printer has nine digits: such a word is passed over."""
_LONGEST_COMMAND = 4096
_MOST_DIGITS = 8


@dataclass(frozen=True, slots=True)
class Line:
    """One line, taken apart.

    Attributes:
        code: ``G1``, ``M104``, ``M569.1``, ``T``, or the macro's name in capitals; empty if none.
        words: Letter to number; None for a letter without one. The last duplicate wins.
        args: A macro's ``KEY=VALUE`` pairs, keys in capitals, quotes removed.
        text: What follows the command, before the comment, as it stands.
        comment: What follows the first ``;``.
        trouble: What is wrong with the line, in words; empty if nothing.
    """

    code: str = ""
    words: dict[str, float | None] = field(default_factory=dict)
    args: dict[str, str] = field(default_factory=dict)
    text: str = ""
    comment: str = ""
    trouble: str = ""


def take_apart(raw: bytes) -> Line:
    """Take one line apart; never fails.

    Args:
        raw: The line without its line end.
    """
    # Replaced and not refused: object names come in any encoding, and a strange letter in a name changes no
    # move.
    whole = raw.decode("utf-8", "replace")
    text, _, comment = whole.partition(";")
    # Firmware reads lines of a few hundred characters; what is longer is damaged, and slow to take apart.
    text, trouble = _without_frame(text[:_LONGEST_COMMAND], raw)
    command = _COMMAND.match(text)
    if command:
        return _command(command, text[command.end() :], comment, trouble)
    macro = _MACRO.match(text)
    if macro and not _COORDINATE.match(text):
        return _macro(macro, text[macro.end() :], comment, trouble)
    if _COORDINATE.match(text):
        return Line(comment=comment, text=text, trouble="coordinates without a command")
    letter = _ONE_LETTER.match(text)
    return Line(code=text.strip().upper()[:8] if letter else "", comment=comment, trouble=trouble)


def numbers(text: str) -> dict[str, float | None]:
    """Return the words of a command: letter to number, None where none stands."""
    found = _WORD.findall((_BRACKETS.sub(" ", text) if "(" in text else text).upper())
    # Of a repeated letter the last one holds, as firmware reads from left to right.
    words = {letter: float(number) if number else None for letter, number in found}
    return {letter: value for letter, value in words.items() if value is None or abs(value) < TOO_LARGE}


def _without_frame(text: str, raw: bytes) -> tuple[str, str]:
    """Remove line number and checksum; say so if the checksum is wrong."""
    trouble = ""
    check = _CHECKSUM.search(text) if "*" in text else None
    if check:
        body = raw.partition(b";")[0]
        # A warning only: a file is no serial line, and somebody edited it by hand more likely than that a
        # bit fell over.
        if check.group(1).lstrip("0")[:4] != str(checksum(body[: body.rindex(b"*")]) or ""):
            trouble = "checksum does not fit"
        text = text[: check.start()]
    return _NUMBERED.sub("", text, count=1), trouble


def checksum(body: bytes) -> int:
    """Return the exclusive-or of all bytes before the ``*``."""
    total = 0
    for byte in body:
        total ^= byte
    return total


def _command(found: re.Match[str], rest: str, comment: str, trouble: str) -> Line:
    letter, digits, sub = found.group(1).upper(), found.group(2).lstrip("0") or "0", found.group(3)
    if len(digits) > _MOST_DIGITS:
        return Line(f"{letter}{digits[:_MOST_DIGITS]}", {}, {}, rest, comment, trouble)
    number = int(digits)
    if "E" in rest.upper() and _EXPONENT.search(rest):
        trouble = trouble or "a number with an exponent: E is an axis"
    if letter == "T":
        return Line("T", {"T": float(number), **numbers(rest)}, {}, rest, comment, trouble)
    code = f"{letter}{number}" + (f".{sub}" if sub else "")
    return Line(code, numbers(rest), {}, rest, comment, trouble)


def _macro(found: re.Match[str], rest: str, comment: str, trouble: str) -> Line:
    args = {key.upper(): value.strip("\"'") for key, value in _ARGUMENT.findall(rest)}
    return Line(found.group(1).upper(), {}, args, rest, comment, trouble)


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


def _bracket(found: re.Match[str]) -> Meaning:
    return ("bracket", found.group(1).upper(), 1 if found.group(2).lower() != "end" else -1)


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
    (r"(\w*(?:CONFIG|BLOCK|DATA|RECOVER)\w*?)(?:\s*=\s*|[_ ])(begin|start|end)(?::.*)?", _bracket),
    (r"end of .*|.*\bprint end\b.*|end.?print.*", lambda _: ENDS),
    (r"SETTING_\d+ (.*)", lambda m: ("chunk", m.group(1))),
    (
        rf"([^:=]{{1,{_MAXIMUM_KEY}}}?)\s+=(?:\s+(.*))?",
        lambda m: ("setting", m.group(1), m.group(2) or "", True),
    ),
    (rf"([^:=]{{1,{_MAXIMUM_KEY}}}?)\s*:\s*(.*)", lambda m: ("setting", m.group(1), m.group(2))),
)
_COMPILED = tuple((re.compile(pattern, re.IGNORECASE), build) for pattern, build in _PATTERNS)
# A comment that starts with none of these and holds neither ":" nor "=" means nothing: most prose and all
# picture data leave here.
_HINT = re.compile(
    r"[:=]|^(?:LAYER_CHANGE|CHANGE_LAYER|BEGIN_LAYER|; ?-+ layer|stop|thumb|end|SETTING_|.*print end)"
    r"|[_ ](?:start|begin|end)$",
    re.IGNORECASE,
)


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


LINEAR, CLOCKWISE, COUNTER, SET_E, PAUSE = 1, 2, 3, 4, 5
"""Kinds of row: straight move, the two arcs, E counter set, standstill."""

ENDS: Meaning = ("ends",)
"""What is in the end code of a file, or in its start code, and hardly between."""

Words = dict[str, float | None]
_INCH = 25.4
_QUOTED = "\"' "


def of_line(raw: bytes) -> tuple[Meaning, ...]:
    """Return what one line means: no, one or several operations.

    Args:
        raw: The line without its line end.
    """
    stripped = raw.lstrip()
    if stripped[:1] == b";":
        found = of_comment(stripped[1:].decode("utf-8", "replace"))
        return (found,) if found else ()
    line = take_apart(raw)
    return _with_trouble(line, _of_command(line))


def _with_trouble(line: Line, found: tuple[Meaning, ...]) -> tuple[Meaning, ...]:
    if not line.trouble:
        return found
    return (("trouble", line.trouble), *found)


def _of_command(line: Line) -> tuple[Meaning, ...]:
    if not line.code:
        return ()
    known = COMMANDS.get(line.code)
    if known:
        return known(line)
    if len(line.code) > 1 and not line.code[1].isdigit():
        return (("unknown", line.code), ("macro", line.code, tuple(line.args.items())))
    return (("unknown", line.code),)


def _move(kind: int) -> Callable[[Line], tuple[Meaning, ...]]:
    def build(line: Line) -> tuple[Meaning, ...]:
        return (("move", kind, tuple((k, v) for k, v in line.words.items() if v is not None)),)

    return build


def _dwell(line: Line) -> tuple[Meaning, ...]:
    # S wins where both stand, as the firmware documentation has it.
    seconds, milli = line.words.get("S"), line.words.get("P")
    return (("dwell", seconds if seconds is not None else (milli or 0.0) / 1000),)


def _standstill(line: Line) -> tuple[Meaning, ...]:
    return (("dwell", 0.0), ("unknown", line.code))


def _retract(line: Line) -> tuple[Meaning, ...]:
    tool, active = line.words.get("P"), line.words.get("S")
    if tool is not None and active is not None and not set(line.words) & set("LXYZ"):
        # In one family of firmware G10 P S is the working temperature of a tool.
        return (("nozzle", active, tool),)
    # With any of these G10 is a tool offset or a standby temperature, not a retraction.
    return (("unknown", "G10"),) if set(line.words) & set("PRSXL") else (("retract",),)


def _home(line: Line) -> tuple[Meaning, ...]:
    axes = "".join(axis for axis in "XYZ" if axis in line.words) or "XYZ"
    # Where a machine stands after homing is its own affair: unknown until the next absolute move, and in no
    # box.
    return (("dwell", 0.0), ("home", axes), ENDS)


def _position(line: Line) -> tuple[Meaning, ...]:
    given = {k: v for k, v in line.words.items() if k in "XYZE"}
    # G92 alone calls every axis zero.
    if not given:
        return (("set_e", 0.0), ("position", (("X", 0.0), ("Y", 0.0), ("Z", 0.0))))
    axes = tuple((k, v or 0.0) for k, v in given.items() if k != "E")
    found: tuple[Meaning, ...] = (("position", axes),) if axes else ()
    return ((("set_e", given["E"] or 0.0),) if "E" in given else ()) + found


def _heat(what: str, wait: bool) -> Callable[[Line], tuple[Meaning, ...]]:
    def build(line: Line) -> tuple[Meaning, ...]:
        # M109 S waits for heating only, R for cooling too: the set-point is the same.
        value = line.words.get("S", line.words.get("R") if wait else None)
        if value is None and what == "nozzle" and (line.words.get("P") or 0.0) >= _HOT:
            # In the dialects that call the extruder A, P is the temperature; elsewhere P is an index.
            value = line.words["P"]
        tool = line.words.get("T")
        setting: tuple[Meaning, ...] = ((what, value, tool),) if value is not None else ()
        # A heater turned off behind the last deposit is how most files end.
        setting += (ENDS,) if value == 0 else ()
        return ((("dwell", 0.0),) if wait else ()) + setting

    return build


def _fan(line: Line) -> tuple[Meaning, ...]:
    # T without S sets a second speed for later; nothing turns faster yet.
    if "T" in line.words and "S" not in line.words:
        return ()
    speed = line.words.get("S")
    return (("fan", int(line.words.get("P") or 0), 255.0 if speed is None else speed),)


def _fan_off(line: Line) -> tuple[Meaning, ...]:
    return (("fan", int(line.words.get("P") or 0), 0.0),)


def _volumetric(line: Line) -> tuple[Meaning, ...]:
    # D0 and S0 both switch volumetric E off.
    diameter, switch = line.words.get("D") or 0.0, line.words.get("S")
    return (("volumetric", 0.0 if switch == 0 else diameter),)


def _limits(name: str) -> Callable[[Line], tuple[Meaning, ...]]:
    def build(line: Line) -> tuple[Meaning, ...]:
        return (("limits", name, tuple((k, v) for k, v in line.words.items() if v is not None)),)

    return build


def _velocity_limit(line: Line) -> tuple[Meaning, ...]:
    pairs = []
    for key in ("ACCEL", "SQUARE_CORNER_VELOCITY", "VELOCITY"):
        try:
            pairs.append((key, float(line.args[key])))
        except (KeyError, ValueError):
            continue
    return (("limits", "SET_VELOCITY_LIMIT", tuple(pairs)),) if pairs else ()


def _factor(what: str) -> Callable[[Line], tuple[Meaning, ...]]:
    def build(line: Line) -> tuple[Meaning, ...]:
        # "M221 X0 Y0 Z0" and "M221 S" are soft end stops of one vendor, not a flow factor.
        if "B" in line.words or "R" in line.words:
            return ((what, "B" if "B" in line.words else "R", None),)
        value = line.words.get("S")
        return ((what, value, line.words.get("T")),) if value is not None else ()

    return build


def _pause(line: Line) -> tuple[Meaning, ...]:
    # Nobody knows how long a person takes; the pause is reported, as the layer below it has gone cold.
    return (("dwell", 0.0), ("pause", line.code), ENDS)


def _tool(line: Line) -> tuple[Meaning, ...]:
    # A "T" alone, or with what is no number, belongs to the firmware's menu.
    number = line.words.get("T")
    return (("unknown", "T"),) if number is None else (("tool", int(number)),)


_CHOSEN = re.compile(r"S\s*(-?\d{1,18})", re.IGNORECASE)
_CANCELLED = re.compile(r"[PUC]", re.IGNORECASE)
_M486 = re.compile(r"\s*((?:[TSPUC]\s*-?\d*\s*)*)(?:A\s*(.*))?", re.IGNORECASE | re.DOTALL)


def _objects(line: Line) -> tuple[Meaning, ...]:
    parts = _M486.match(line.text)
    head, label = (parts.group(1), parts.group(2)) if parts else ("", None)
    found: list[Meaning] = []
    chosen = _CHOSEN.search(head)
    if chosen:
        number = int(chosen.group(1))
        found.append(("object", 0, str(number) if number >= 0 else "", ""))
    if label is not None:
        found.append(("object_label", label.strip(_QUOTED)))
    if _CANCELLED.search(head):
        found.append(("trouble", "an object is cancelled inside the file (M486 P, U or C)"))
    return tuple(found)


def _begin_object(line: Line) -> tuple[Meaning, ...]:
    name = line.args.get("NAME", "")
    return (("object", 1, name, name),)


def _end_object(_: Line) -> tuple[Meaning, ...]:
    return (("object", 1, "", ""),)


def _with_comment(line: Line) -> tuple[Meaning, ...]:
    found = of_comment(line.comment)
    return (found,) if found and found[0] == "object" else ()


def _heater(line: Line) -> tuple[Meaning, ...]:
    heater = line.args.get("HEATER", "").lower()
    try:
        value = float(line.args.get("TARGET", "0"))
    except ValueError:
        return ()
    for part, what in (("bed", "bed"), ("chamber", "chamber"), ("extruder", "nozzle")):
        if part in heater:
            return ((what, value, None),)
    return ()


def _constant(*found: Meaning) -> Callable[[Line], tuple[Meaning, ...]]:
    return lambda _: found


def _progress(line: Line) -> tuple[Meaning, ...]:
    return (ENDS,) if line.words.get("P") == _WHOLE_PCT else ()


_WHOLE_PCT = 100
_HOT = 100.0
_QUIET = ("M117", "M118", "M900", "M572", "M17", "M105", "M110", "M115", "M302", "M400")
_STILL = ("G29", "G34", "G80", "G32")

COMMANDS: dict[str, Callable[[Line], tuple[Meaning, ...]]] = {
    "G0": _move(LINEAR),
    "G1": _move(LINEAR),
    "G2": _move(CLOCKWISE),
    "G3": _move(COUNTER),
    "G4": _dwell,
    "G10": _retract,
    "G11": _constant(("recover",)),
    "G17": _constant(("plane", True)),
    "G18": _constant(("plane", False)),
    "G19": _constant(("plane", False)),
    "G20": _constant(("unit", _INCH)),
    "G21": _constant(("unit", 1.0)),
    "G28": _home,
    "G90": _constant(("relative", False)),
    "G91": _constant(("relative", True)),
    "G92": _position,
    "M82": _constant(("relative_e", False)),
    "M83": _constant(("relative_e", True)),
    "M104": _heat("nozzle", wait=False),
    "M109": _heat("nozzle", wait=True),
    "M140": _heat("bed", wait=False),
    "M190": _heat("bed", wait=True),
    "M141": _heat("chamber", wait=False),
    "M191": _heat("chamber", wait=True),
    "M106": _fan,
    "M107": _fan_off,
    "M200": _volumetric,
    **{code: _limits(code) for code in ("M201", "M203", "M204", "M205", "M566")},
    "SET_VELOCITY_LIMIT": _velocity_limit,
    "SET_HEATER_TEMPERATURE": _heater,
    "M220": _factor("speed_factor"),
    "M221": _factor("flow_factor"),
    "T": _tool,
    **dict.fromkeys(("M600", "M601", "M0", "M1", "M25", "M226", "PAUSE"), _pause),
    "M486": _objects,
    "EXCLUDE_OBJECT_DEFINE": _constant(),
    "EXCLUDE_OBJECT_START": _begin_object,
    "EXCLUDE_OBJECT_END": _end_object,
    "M624": _with_comment,
    "M625": _with_comment,
    "M73": _progress,
    **dict.fromkeys(("M2", "M18", "M30", "M81", "M84"), _constant(ENDS)),
    **{code: _constant() for code in _QUIET},
    **dict.fromkeys(_STILL, _standstill),
}
