"""Own TOML that a person wrote: keys by their lines, all faults at once; never know a key's use."""

import math
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from typing import cast

from rig.errors import InputError
from rig.units import Kind, parse_quantity

KeyPath = tuple[str, ...]
_MISSING = object()
_AT_LINE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_WHAT_TOML_IS = (
    'A line is a comment after #, a heading in [ ], or a key = "text in quotes"; every heading and'
    " every key stands once."
)
_LONGEST_QUANTITY = 60
"""No quantity has more characters than this."""


@dataclass(frozen=True)
class Span:
    """What a quantity may be: from `least` to `most`, such as `example`, each with its unit.

    With `per` the texts, the bounds too, end in that, as in 400 kPa/s.
    """

    kind: Kind
    least: str
    most: str
    example: str
    per: str = ""


def nearest(word: str, known: Collection[str]) -> str:
    """Say which known word was probably meant, or else all that are known."""
    near = get_close_matches(word, known, n=1)
    if near:
        return f"Did you mean '{near[0]}'?"
    return f"Use one of: {', '.join(known)}."


class TomlText:
    """A TOML text being read, with everything found wrong in it so far.

    Reading goes on after a fault with an empty value (NaN for a number); `refuse` then raises all
    faults together. `name` is the file's, for the faults.

    Raises `error` when the text is no TOML.
    """

    def __init__(self, text: str, name: str, error: type[InputError]) -> None:
        self._text = text.removeprefix("\ufeff").replace("\r\n", "\n")
        self._name = name
        self._error = error
        self._faults: set[tuple[int, str]] = set()
        try:
            content = tomllib.loads(self._text)
        except ValueError as fault:
            raise error(self._not_toml(str(fault))) from fault
        except RecursionError as fault:
            raise error(f"{name}: brackets stand in brackets too deep to be read.") from fault
        self.root = Table(self, ((), content))

    def where(self, path: KeyPath) -> str:
        """Say where a key stands: file, line and dotted key; the line of its table if missing."""
        dotted = ".".join(key if _BARE.fullmatch(key) else repr(key) for key in path)
        return f"{self._name}, line {self._line(path)}, {dotted}"

    def complain(self, path: KeyPath, said: str) -> None:
        """Keep a fault of the key at `path`; its line is that of the table where it is missing."""
        self._faults.add((self._line(path), f"{self.where(path)}: {said}"))

    def refuse(self) -> None:
        """Raise all faults that were found, a sentence each, in the order of the file."""
        if self._faults:
            raise self._error(*(said for _, said in sorted(self._faults)))

    def _line(self, path: KeyPath) -> int:
        standing = path
        while standing not in self._lines:
            standing = standing[:-1]
        return self._lines[standing]

    def _not_toml(self, fault: str) -> str:
        lines = self._text.rstrip().split("\n")
        line, column = len(lines), len(lines[-1]) + 1
        at = _AT_LINE.search(fault)
        if at and at[1]:
            line, column = int(at[1]), int(at[2])
        said = _AT_LINE.sub("", fault)
        return f"{self._name}, line {line}, column {column}: {said}. {_WHAT_TOML_IS}"

    @cached_property
    def _lines(self) -> Mapping[KeyPath, int]:
        """Find the line of each key and heading: a statement read by itself yields its keys."""
        found: dict[KeyPath, int] = {(): 1}
        heading: KeyPath = ()
        statement: list[str] = []
        for number, line in enumerate(self._text.split("\n"), start=1):
            statement.append(line)
            try:
                content = tomllib.loads("\n".join(statement))
            except (ValueError, RecursionError):
                continue  # the statement goes on in the next line
            paths = list(_paths(content))
            is_heading = statement[0].lstrip().startswith("[")
            if is_heading:
                heading = ()
            for path in paths:
                found.setdefault(heading + path, number - len(statement) + 1)
            if is_heading:
                heading = paths[-1]
            statement = []
        return found


def _paths(content: object) -> Iterator[KeyPath]:
    """List the paths of all keys in a value, outer ones first."""
    if isinstance(content, list):
        for each in content:
            yield from _paths(each)
    elif isinstance(content, dict):
        for key, value in content.items():
            yield (key,)
            for path in _paths(value):
                yield (key, *path)


class Table:
    """One table of the text; or several, of which the first that has a key counts for it."""

    def __init__(self, text: TomlText, *layers: tuple[KeyPath, Mapping[str, object]]) -> None:
        self._text = text
        self._layers = layers
        self._asked: list[str] = []

    @property
    def content(self) -> dict[str, object]:
        """Get what the table holds, as it was written."""
        content: dict[str, object] = {}
        for _, layer in reversed(self._layers):
            content |= layer
        return content

    def complain(self, key: str | None, said: str) -> None:
        """Keep a fault of one key, or of the whole table."""
        holding = [path for path, layer in self._layers if key is None or key in layer]
        path = holding[0] if holding else self._layers[-1][0]
        self._text.complain(path if key is None else (*path, key), said)

    def has(self, key: str) -> bool:
        """Tell whether a key is there."""
        self._asked.append(key)
        return any(key in layer for _, layer in self._layers)

    def text(self, key: str, example: str) -> str:
        """Read a text that must be there, its line ends and blanks each as one blank."""
        return " ".join(self._text_of(key, example).split())

    def line(self, key: str, example: str) -> str:
        """Read a text that must be there, in one line, just as it is written."""
        text = self._text_of(key, example)
        if text and not text.isprintable():
            self.complain(
                key, f'the text must stand in one plain line. Write it like {key} = "{example}".'
            )
            return ""
        return text

    def texts(self, key: str, *examples: str) -> tuple[str, ...]:
        """Read a list of texts, which must be there and may be empty."""
        example = "[{}]".format(", ".join(f'"{each}"' for each in examples))
        value = self._value(key, example)
        if value is _MISSING:
            return ()
        if isinstance(value, list) and all(
            isinstance(each, str) and each.strip() for each in value
        ):
            return tuple(" ".join(each.split()) for each in value)
        self.complain(
            key, f"this must be a list of texts in quotes. Write it like {key} = {example}."
        )
        return ()

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Read a true or false, which must be there where it has no default."""
        if default is not None and not self.has(key):
            return default
        value = self._value(key, "true or false")
        if isinstance(value, bool):
            return value
        if value is not _MISSING:
            self.complain(key, "this must be true or false, without quotes.")
        return False

    def known(self, key: str, word: str, words: Collection[str]) -> str:
        """Pass on a word that may stand under a key; any other becomes "", with a fault."""
        if not word or word in words:
            return word
        self.complain(key, f"'{word}' is not known here. {nearest(word, words)}")
        return ""

    def number(
        self, key: str, least: float, most: float, example: str, default: float | None = None
    ) -> float:
        """Read a plain number between bounds, which must be there where it has no default."""
        if default is not None and not self.has(key):
            return default
        value = self._value(key, example)
        if value is _MISSING:
            return math.nan
        if _is_number(value, least, most):
            return float(cast(float, value))
        self.complain(
            key,
            f"this must be a number from {least:g} to {most:g}, without quotes. Write it like"
            f" {key} = {example}.",
        )
        return math.nan

    def whole(self, key: str, least: int, most: int, default: int) -> int:
        """Read a whole number between bounds."""
        if not self.has(key):
            return default
        value = self._value(key, str(default))
        if isinstance(value, int) and _is_number(value, least, most):
            return value
        self.complain(
            key,
            f"this must be a whole number from {least} to {most}, without quotes. Write it like"
            f" {key} = {default}.",
        )
        return default

    def numbers(self, key: str, count: int, bound: float, example: str) -> tuple[float, ...]:
        """Read a list of just so many numbers, none beyond a bound; empty where it is not so."""
        value = self._value(key, example)
        listed = value if isinstance(value, list) else []
        if len(listed) == count and all(_is_number(each, -bound, bound) for each in listed):
            return tuple(float(each) for each in listed)
        if value is not _MISSING:
            self.complain(
                key, f"this must be a list of {count} numbers. Write it like {key} = {example}."
            )
        return ()

    def quantity(self, key: str, kind: Kind, example: str) -> float:
        """Read a quantity with its unit, in SI; it must be there and be more than zero."""
        text = self.text(key, example)
        return self._si(key, text, kind) if text else math.nan

    def within(self, key: str, span: Span, default: str | None = None) -> float:
        """Read a quantity with its unit, in SI, that must lie within a span."""
        if default is not None and not self.has(key):
            return _si_of(default, span)
        text = self.text(key, span.example)
        return self._within(key, text, span) if text else math.nan

    def each_within(self, key: str, *spans: Span) -> tuple[float, ...]:
        """Read a list of quantities, in SI, each within its span; NaN for what cannot be had."""
        examples = [span.example for span in spans]
        texts = self.texts(key, *examples)
        if len(texts) == len(spans):
            return tuple(map(self._within, [key] * len(spans), texts, spans))
        if texts or self.content.get(key) == []:
            example = ", ".join(f'"{each}"' for each in examples)
            self.complain(
                key, f"this must be a list of {len(spans)}. Write it like {key} = [{example}]."
            )
        return (math.nan,) * len(spans)

    def spread(self, key: str, kind: Kind, least: str, most: str) -> tuple[float, float]:
        """Read the least and the most of a quantity, in SI; `least` and `most` are examples."""
        texts = self.texts(key, least, most)
        values = [self._si(key, text, kind) for text in texts]
        if len(values) == 2 and not values[0] >= values[1]:
            return values[0], values[1]
        if self.has(key):
            self.complain(
                key, f'the least and the most are needed. Write {key} = ["{least}", "{most}"].'
            )
        return math.nan, math.nan

    def table(self, key: str) -> "Table":
        """Read the table below a key, empty where it is not there."""
        self.has(key)
        for path, layer in self._layers:
            below = (*path, key)
            value = layer.get(key)
            if isinstance(value, dict):
                return Table(self._text, (below, value))
            if value is not None:
                self._text.complain(below, f"this must be a heading, [{'.'.join(below)}].")
                return Table(self._text, (below, {}))
        return Table(self._text, ((*self._layers[-1][0], key), {}))

    def tables(self, key: str) -> dict[str, "Table"]:
        """Read the tables below a key, by name."""
        below = self.table(key)
        return {name: below.table(name) for name in below.content}

    def over(self, base: "Table") -> "Table":
        """Lay this table over another, whose keys count where this one has none."""
        return Table(self._text, *self._layers, *base._layers)

    def finish(self) -> None:
        """Keep a fault for every key that nobody asked for."""
        for path, layer in self._layers:
            for key in layer:
                if key not in self._asked:
                    known = nearest(key, dict.fromkeys(self._asked))
                    self._text.complain((*path, key), f"there is no such key here. {known}")

    def _value(self, key: str, example: str) -> object:
        if not self.has(key):
            self.complain(key, f"this key is missing. Write it like {key} = {example}.")
            return _MISSING
        return next(layer[key] for _, layer in self._layers if key in layer)

    def _text_of(self, key: str, example: str) -> str:
        value = self._value(key, f'"{example}"')
        if isinstance(value, str) and value.strip():
            return value
        if value is not _MISSING:
            self.complain(key, f'this must be text in quotes. Write it like {key} = "{example}".')
        return ""

    def _si(self, key: str, text: str, kind: Kind) -> float:
        try:
            value_si = parse_quantity(text, kind, "").value_si
        except InputError as error:
            self.complain(key, str(error).removeprefix(": "))
            return math.nan
        if value_si <= 0.0:
            self.complain(key, f"'{text}' must be more than zero.")
            return math.nan
        return value_si

    def _within(self, key: str, text: str, span: Span) -> float:
        like = f'Write it like "{span.example}".'
        if len(text) > _LONGEST_QUANTITY or not text.isprintable():
            self.complain(key, f"this is no number with its unit. {like}")
        elif not text.replace(" ", "").endswith(span.per):
            self.complain(key, f"'{text}' does not end in {span.per}. {like}")
        else:
            try:
                value_si = _si_of(text, span)
            except InputError as error:
                self.complain(key, str(error).removeprefix(": "))
                return math.nan
            if _si_of(span.least, span) <= value_si <= _si_of(span.most, span):
                return value_si
            self.complain(key, f"'{text}' is not within {span.least} to {span.most}. {like}")
        return math.nan


def _si_of(text: str, span: Span) -> float:
    number = text.replace(" ", "").removesuffix(span.per) if span.per else text
    return parse_quantity(number, span.kind, "").value_si


def _is_number(value: object, least: float, most: float) -> bool:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return is_number and least <= cast(float, value) <= most
