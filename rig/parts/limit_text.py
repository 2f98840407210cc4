"""Own how a limit is read from a spec sheet's table or a few short texts; never judge anything.

A table is what a TOML file gives: the shape, its conditions and bounds as texts with their units,
and the source. For example

    shape = "drop"
    from = "19.7 inHg"
    within = "15 s"
    at_most = "0.97 inHg (3.3 kPa)"
    source = "Umbrevan workshop manual"
    page = "8-12"

A value printed in two units may be given in both, after an equals sign or in brackets: they must
agree within their rounding.
"""

import re
from collections.abc import Iterable, Mapping

from rig.errors import InputError, LimitError
from rig.parts import plausibility
from rig.parts.limits import RIG_DEFAULT, Bound, Limit, Passage, Source
from rig.parts.shapes import CONDITION_KINDS, SHAPE_RULES, Condition, Shape, ShapeRule
from rig.toml_text import nearest
from rig.units import Kind, Quantity, parse_quantity

_LOWER_KEYS = {"at_least": True, "more_than": False}
_UPPER_KEYS = {"at_most": True, "less_than": False}
_BAND_LOWER_KEYS = {"closed_below": Passage.CLOSED, "open_below": Passage.OPEN}
_BAND_UPPER_KEYS = {"open_above": Passage.CLOSED, "closed_above": Passage.OPEN}
"""Each with what the passage must be below the band."""
_COMMON_KEYS = ("shape", "source", "page")
_ANOTHER_UNIT = re.compile(r"\s*=\s*|\s*\(\s*(?=[-+.0-9])")


def limit_from_table(table: Mapping[str, object], where: str) -> Limit:
    """Read one limit from a table of texts; `where` names the file and table for errors.

    Raises LimitError, naming the key, when a key is missing, unknown or does not fit the shape, a
    text cannot be read, or the limit cannot be true.
    """
    shape = _shape(table, where)
    rule = SHAPE_RULES[shape]
    lower_keys: Iterable[str] = _BAND_LOWER_KEYS if rule.is_band else _LOWER_KEYS
    upper_keys: Iterable[str] = _BAND_UPPER_KEYS if rule.is_band else _UPPER_KEYS
    known = [*_COMMON_KEYS, *rule.conditions]
    known += lower_keys if rule.takes_lower else ()
    known += upper_keys if rule.takes_upper else ()
    for key in table:
        if key not in known:
            raise LimitError(
                f"{where}: '{key}' is no key of a '{shape}' limit. {nearest(key, known)}"
            )
    conditions = {
        condition: _printed(table[key], CONDITION_KINDS[condition], f"{where}, {key}")
        for key, condition in rule.conditions.items()
        if key in table
    }
    source = _source(table, where)
    lower = _bound(table, lower_keys, rule, where)
    upper = _bound(table, upper_keys, rule, where)
    below = _passage_below(table, where) if rule.is_band else None
    try:
        return Limit(shape, conditions, source, lower, upper, below)
    except LimitError as error:
        raise LimitError(f"{where}: {error}") from error


def drop_limit_from_text(
    from_text: str,
    max_drop_text: str,
    within_text: str,
    reference_volume_text: str | None,
    source: Source,
) -> Limit:
    """Read a limit on a drop from the texts of the command line's options.

    They are --from, --max-drop, --within and --reference-volume, the last of them if it was given.

    Raises LimitError, naming the option, when a text cannot be read or the limit cannot be true.
    """
    conditions = {
        Condition.START_VACUUM: _printed(from_text, (Kind.VACUUM,), "--from"),
        Condition.DURATION: _printed(within_text, (Kind.TIME,), "--within"),
    }
    if reference_volume_text is not None:
        volume = _printed(reference_volume_text, (Kind.VOLUME,), "--reference-volume")
        conditions[Condition.REFERENCE_VOLUME] = volume
    max_drop = _printed(max_drop_text, (Kind.VACUUM,), "--max-drop")
    return Limit(Shape.DROP, conditions, source, upper=Bound(max_drop))


def source_from_text(text: str, page: str | None = None) -> Source:
    """Read whose limit it is; a text that begins with "rig default" is the rig's own."""
    if text.strip().casefold().startswith("rig default"):
        return RIG_DEFAULT
    return Source(text.strip(), page)


def _shape(table: Mapping[str, object], where: str) -> Shape:
    name = table.get("shape")
    shapes = [shape.value for shape in Shape]
    if not isinstance(name, str) or name not in shapes:
        said = "has no shape" if name is None else f"has the shape '{name}', which is not known"
        raise LimitError(f"{where}, shape: the limit {said}. {nearest(str(name), shapes)}")
    return Shape(name)


def _source(table: Mapping[str, object], where: str) -> Source:
    text, page = table.get("source"), table.get("page")
    if not isinstance(text, str) or not text.strip():
        raise LimitError(
            f"{where}, source: say whose limit this is (manual or sheet), or 'rig default'."
        )
    if page is not None and not isinstance(page, str | int):
        raise LimitError(f'{where}, page: write the page as text, such as "8-12".')
    return source_from_text(text, None if page is None else str(page))


def _bound(
    table: Mapping[str, object], keys: Iterable[str], rule: ShapeRule, where: str
) -> Bound | None:
    given = [key for key in keys if key in table]
    if len(given) > 1:
        raise LimitError(f"{where}: {' and '.join(given)} say the same end twice. Leave one.")
    for key in given:
        quantity = _printed(table[key], rule.judged, f"{where}, {key}")
        return Bound(quantity, {**_LOWER_KEYS, **_UPPER_KEYS}.get(key, True))
    return None


def _passage_below(table: Mapping[str, object], where: str) -> Passage | None:
    said = {
        passage for key, passage in {**_BAND_LOWER_KEYS, **_BAND_UPPER_KEYS}.items() if key in table
    }
    if len(said) > 1:
        raise LimitError(
            f"{where}: the passage is the same below and above its band. Use closed_below with"
            " open_above, or open_below with closed_above."
        )
    return next(iter(said), None)


def _printed(value: object, kinds: tuple[Kind, ...], where: str) -> Quantity:
    """Read one printed value, in one unit or in several that agree."""
    if not isinstance(value, str):
        raise LimitError(f"{where}: {value!r} has no unit. Write it as text with its unit.")
    texts = _ANOTHER_UNIT.split(value)
    if len(texts) > 1:
        texts = [text.removesuffix(")") for text in texts]
    printed = [_parsed(text, kinds, where) for text in texts]
    plausibility.refuse_disagreement(printed, where)
    first = printed[0]
    return Quantity(first.value_si, first.kind, first.unit, value.strip(), first.rounding_si)


def _parsed(text: str, kinds: tuple[Kind, ...], where: str) -> Quantity:
    first_error: InputError | None = None
    for kind in kinds:
        try:
            return parse_quantity(text, kind, where)
        except InputError as error:
            first_error = first_error or error
    raise LimitError(str(first_error)) from first_error
