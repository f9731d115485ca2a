"""YAML limited to JSON's values, read strictly: every fault with its line and path, all at once.

Values are null, true, false (these spellings only), whole numbers, decimals in plain notation (as `Decimal`),
text, lists and maps with text keys. Everything else that YAML would read into a plain word (`on`, `no`, `~`, dates,
`1:30`, `0x10`, `1_000`) is text. Anchors, aliases, tags, merge keys, directives, duplicate keys and a second
document are refused, so that a file means to every reader what it shows.
"""

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NamedTuple, cast

import yaml

from schemas.strict_json import DIGITS, EXPONENT

Place = tuple[str | int, ...]

LARGEST_FILE = 1024 * 1024
DEEPEST = 16

_NUMBER = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?", re.ASCII)
_WORDS = {"null": None, "true": True, "false": False}
_MERGE = "<<"
_NO_KEY = "?"


class YamlFault(NamedTuple):
    """One fault of a file: its line (from 1), the keys and positions that lead to it, what mends it."""

    line: int
    path: Place
    detail: str


class YamlDocument(NamedTuple):
    """What a file says, and the line (from 1) on which each key and each item of a list begins."""

    value: Any
    lines: dict[Place, int]


class _UnreadableError(Exception):
    """Nothing after this fault can be read."""

    def __init__(self, fault: YamlFault) -> None:
        super().__init__(fault.detail)
        self.fault = fault


def read_yaml(content: bytes) -> tuple[YamlDocument | None, list[YamlFault]]:
    """Return the document and no fault, or None and every fault that could be found.

    A fault of syntax, of depth or of encoding ends the reading; the faults found before it are returned with it.
    """
    faults: list[YamlFault] = []
    try:
        document = _Reading(_decoded(content), faults).document()
    except _UnreadableError as error:
        faults.append(error.fault)
        return None, faults
    return (None, faults) if faults else (document, [])


def _decoded(content: bytes) -> str:
    if len(content) > LARGEST_FILE:
        raise _UnreadableError(YamlFault(1, (), "the file is larger than 1 MiB; split it"))
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _UnreadableError(YamlFault(line, (), "the file is not UTF-8; save it as UTF-8")) from None


def _events(text: str) -> Iterator[yaml.Event]:
    """Give the parser's events one by one; its own complaints become one fault."""
    try:
        yield from yaml.parse(text, Loader=yaml.SafeLoader)
    except yaml.reader.ReaderError as error:
        raise _UnreadableError(_bad_character(text, error)) from None
    except yaml.MarkedYAMLError as error:
        raise _UnreadableError(_bad_syntax(error)) from None
    except (ValueError, OverflowError):
        detail = 'an escape such as "\\UFFFFFFFF" names no character; write the character itself'
        raise _UnreadableError(YamlFault(1, (), detail)) from None


def _bad_character(text: str, error: yaml.reader.ReaderError) -> YamlFault:
    line = text.count("\n", 0, error.position) + 1
    return YamlFault(line, (), f"character U+{ord(text[error.position]):04X} may not stand here; take it out")


def _bad_syntax(error: yaml.MarkedYAMLError) -> YamlFault:
    mark = error.problem_mark or error.context_mark
    said = ", ".join(part for part in (error.context, error.problem) if part)
    detail = f"this is no YAML ({said}); look at indentation, quotes and brackets here or just above"
    return YamlFault(mark.line + 1 if mark else 1, (), detail)


def _line(event: yaml.Event) -> int:
    return int(event.start_mark.line) + 1 if event.start_mark else 1


class _Reading:
    """One pass over the events of a file."""

    def __init__(self, text: str, faults: list[YamlFault]) -> None:
        self.events = _events(text)
        self.faults = faults
        self.lines: dict[Place, int] = {}

    def document(self) -> YamlDocument:
        """Return the one document of the file."""
        next(self.events)
        start = next(self.events)
        if not isinstance(start, yaml.DocumentStartEvent):
            raise _UnreadableError(YamlFault(1, (), "the file is empty; write a document"))
        if start.version or start.tags:
            self.refuse(start, (), "a directive (%) may not stand here; take it out")
        value = self.value(next(self.events), ())
        next(self.events)
        after = next(self.events)
        if isinstance(after, yaml.DocumentStartEvent):
            detail = "a second document begins here; a file holds one"
            raise _UnreadableError(YamlFault(_line(after), (), detail))
        return YamlDocument(value, self.lines)

    def refuse(self, event: yaml.Event, path: Place, detail: str) -> None:
        """Keep a fault and go on reading."""
        self.faults.append(YamlFault(_line(event), path, detail))

    def value(self, event: yaml.Event, path: Place) -> Any:
        """Return the value that begins with the event, reading up to its end."""
        self.lines.setdefault(path, _line(event))
        if isinstance(event, yaml.AliasEvent):
            self.refuse(event, path, f"*{event.anchor} is an alias; write the value out here")
            return None
        self.refuse_properties(event, path)
        if isinstance(event, yaml.ScalarEvent):
            return self.scalar(event, path)
        if len(path) >= DEEPEST:
            detail = f"lists and maps are nested deeper than {DEEPEST}; flatten them"
            raise _UnreadableError(YamlFault(_line(event), path, detail))
        return self.mapping(path) if isinstance(event, yaml.MappingStartEvent) else self.sequence(path)

    def refuse_properties(self, event: yaml.Event, path: Place) -> None:
        """Refuse what would let a value mean something else than it shows."""
        node = cast("yaml.ScalarEvent | yaml.CollectionStartEvent", event)
        if node.anchor is not None:
            self.refuse(event, path, f"&{node.anchor} is an anchor; take it out and write values where they stand")
        if node.tag is not None:
            self.refuse(event, path, f"{node.tag} is a tag; take it out (quotes make text)")

    def sequence(self, path: Place) -> list[Any]:
        """Return a list."""
        items: list[Any] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            items.append(self.value(event, (*path, len(items))))
        return items

    def mapping(self, path: Place) -> dict[str, Any]:
        """Return a map with text keys, each once."""
        entries: dict[str, Any] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self.key(event, path)
            if key is None:
                self.skip(next(self.events), (*path, _NO_KEY))
                continue
            below = (*path, key)
            if key in entries:
                self.refuse(event, below, f"{key} stands twice, first on line {self.lines[below]}; keep one")
                self.skip(next(self.events), below)
                continue
            self.lines[below] = _line(event)
            entries[key] = self.value(next(self.events), below)
        return entries

    def skip(self, event: yaml.Event, path: Place) -> None:
        """Read a value that belongs to no key, for its faults alone."""
        lines, self.lines = self.lines, {}
        self.value(event, path)
        self.lines = lines

    def key(self, event: yaml.Event, path: Place) -> str | None:
        """Return a key, or None where it is no text."""
        if not isinstance(event, yaml.ScalarEvent):
            self.refuse(event, path, "a key is text; a list, a map or an alias can be none")
            if not isinstance(event, yaml.AliasEvent):
                self.skip(event, (*path, _NO_KEY))
            return None
        self.refuse_properties(event, path)
        if event.value == _MERGE and event.implicit[0]:
            self.refuse(event, path, "<< is a merge key; write the merged keys out here")
            return None
        key = self.scalar(event, path)
        if not isinstance(key, str):
            self.refuse(event, path, f"a key is text; put {event.value or 'this key'} in quotes")
            return None
        return key

    def scalar(self, event: yaml.ScalarEvent, path: Place) -> Any:
        """Return the value of one word: text where it is quoted, else by what it looks like."""
        text = event.value
        if not event.implicit[0]:
            return self.text(event, path)
        if text in _WORDS:
            return _WORDS[text]
        if not text:
            self.refuse(event, path, "nothing stands here; write a value, or leave the key out")
            return None
        return self.number(event, path) if _NUMBER.fullmatch(text) else self.text(event, path)

    def number(self, event: yaml.ScalarEvent, path: Place) -> int | Decimal | None:
        """Return a whole number or a decimal within the limits."""
        whole, _, places = event.value.lstrip("-").partition(".")
        if len((whole + places).lstrip("0")) > DIGITS or len(places) > EXPONENT:
            detail = f"a number has at most {DIGITS} digits, {EXPONENT} of them after the point; shorten it"
            self.refuse(event, path, detail)
            return None
        return Decimal(event.value) if places else int(event.value)

    def text(self, event: yaml.ScalarEvent, path: Place) -> str:
        """Return text without U+0000 and lone surrogates."""
        if "\0" in event.value or any("\ud800" <= letter <= "\udfff" for letter in event.value):
            self.refuse(event, path, "text holds neither U+0000 nor half of a character (a lone surrogate)")
        return str(event.value)
