"""Own how lines of text stand on a terminal: paragraphs, labels, tables; never what they say."""

import textwrap
from collections.abc import Iterable, Iterator, Sequence

WIDTH = 96
_LEAST_LABEL = 20
_GAP = 2
_LEAST_LAST = 24
"""A last column narrower than this is not wrapped."""


def paragraphs(texts: Iterable[str]) -> list[str]:
    """Wrap each text by itself."""
    return [line for text in texts for line in wrapped(text, WIDTH)]


def wrapped(text: str, width: int, hanging: str = "") -> list[str]:
    """Wrap a text at blanks alone, so that options, paths and codes stay whole.

    `hanging` stands before every line but the first, and counts as part of its width.
    """
    return textwrap.wrap(
        text, width, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
    )


def labelled(rows: Iterable[tuple[str, str]]) -> list[str]:
    """Put a label before each text; no label goes on with the one before. Empty texts are left out.

    All labels take as much room as the longest.
    """
    return table([(label, text) for label, text in rows if text], least=_LEAST_LABEL - _GAP)


def several(label: str, texts: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Give the first of several texts a label."""
    for index, text in enumerate(texts):
        yield ("" if index else label), text


def table(rows: Iterable[Sequence[str]], *, least: int = 0) -> list[str]:
    """Put cells under one another in columns; the last column is wrapped.

    `least` is the least width of the first column.
    """
    cells = [[" ".join(cell.split()) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)][:-1]
    if widths:
        widths[0] = max(widths[0], least)
    start = sum(widths) + _GAP * len(widths)
    lines = []
    for row in cells:
        first = "".join(f"{cell:<{width + _GAP}}" for cell, width in zip(row, widths, strict=False))
        last = wrapped(row[-1], max(WIDTH - start, _LEAST_LAST)) or [""]
        lines.append((first + last[0]).rstrip())
        lines += [" " * start + line for line in last[1:]]
    return lines
