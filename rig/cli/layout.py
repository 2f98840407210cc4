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
    return [line for text in texts for line in textwrap.wrap(text, WIDTH)]


def labelled(rows: Iterable[tuple[str, str]]) -> list[str]:
    """Put a label before each text; no label goes on with the one before. Empty texts are left out.

    All labels take as much room as the longest.
    """
    shown = [(label, text) for label, text in rows if text]
    widest = max([len(label) for label, _ in shown], default=0)
    return table(shown, least=max(_LEAST_LABEL, widest + _GAP) - _GAP)


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
        wrapped = textwrap.wrap(row[-1], max(WIDTH - start, _LEAST_LAST)) or [""]
        lines.append((first + wrapped[0]).rstrip())
        lines += [" " * start + line for line in wrapped[1:]]
    return lines
