"""Own how limits are read from a user's spec sheet; never judge or choose one.

A sheet says whose limits they are and gives each under the name of its test:

    part_number = "UM-P11"
    make = "Umbrevan"

    [limits.hold]
    shape = "drop"
    from = "15 inHg"
    within = "20 s"
    at_most = "0.8 inHg"
    reference_volume = "45 cm3"
    source = "Umbrevan workshop manual"
    page = "8-12"
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rig.errors import InputError, LimitError
from rig.parts.limit_text import limit_from_table
from rig.parts.limits import Limit
from rig.toml_text import Table, TomlText

_KEY_OF_FAULT = re.compile(r"(?:, (?=\w+:)|: '(?=\w+' is no key))(\w+)")
_UP_TO_FAULT = re.compile(r"(?:, \w+)?: ")


@dataclass(frozen=True)
class SpecSheet:
    """The limits of one part number, as tables of texts by the name of the test."""

    part_number: str
    make: str
    limits: Mapping[str, Mapping[str, str]]


def parse_spec_sheet(text: str, name: str) -> SpecSheet:
    """Read a spec sheet; `name` is the file's, for errors.

    Raises InputError with every fault, each with line and key: a key missing, unknown or of the
    wrong form, and each limit that cannot be true, with the reason.
    """
    sheet = TomlText(text, name, InputError)
    root = sheet.root
    part_number = root.text("part_number", "UM-P11")
    make = root.text("make", "Umbrevan")
    tables = root.tables("limits")
    if not tables:
        root.complain("limits", "there is none. Write one below a heading such as [limits.hold].")
    limits = {test: read_limit(table)[1] for test, table in tables.items()}
    root.finish()
    sheet.refuse()
    return SpecSheet(part_number, make, MappingProxyType(limits))


def read_limit(table: Table) -> tuple[Limit | None, Mapping[str, str]]:
    """Read a limit and its texts from a table; where it has a fault the limit is None."""
    content = table.content
    try:
        limit = limit_from_table(content, "")
    except LimitError as error:
        said = str(error)
        key = _KEY_OF_FAULT.match(said)
        table.complain(key[1] if key else None, _UP_TO_FAULT.sub("", said, count=1))
        return None, MappingProxyType({})
    return limit, MappingProxyType({key: str(value) for key, value in content.items()})
