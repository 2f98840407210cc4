"""Own what is said of a bench file, a family and a spec sheet that are sound; never read one."""

from collections.abc import Iterator, Sequence

from rig import words
from rig.cli.layout import several
from rig.config import Bench
from rig.parts.family import Family, FamilyTest, Means, Question, Variant
from rig.parts.limit_text import limit_from_table
from rig.parts.planning import bench_means
from rig.parts.spec_sheet import SpecSheet
from rig.units import Kind, format_quantity

Rows = list[tuple[str, str]]
_LABEL, _LINE = words.FILE_LABELS, words.FILE_LINES


def bench_rows(bench: Bench) -> Rows:
    """Say what a bench has."""
    board = _LINE["board"].format(
        port=bench.link.port,
        rate_hz=bench.link.rate_hz,
        lease=format_quantity(bench.link.lease_s, Kind.TIME, "s"),
    )
    valves = (
        _LINE["valve"].format(name=name, pin=valve.pin, at_rest=valve.at_rest)
        for name, valve in bench.valves.items()
    )
    outputs = (
        _LINE["output"].format(name=name, pin=output.pin) for name, output in bench.outputs.items()
    )
    inputs = (
        _LINE["input"].format(name=name, pin=each.pin, pressed=each.pressed)
        for name, each in bench.inputs.items()
    )
    channels = (
        _LINE["channel"].format(name=name, kind=_kind_of(channel), input=channel.input)
        for name, channel in bench.channels.items()
    )
    means = bench_means([*bench.valves, *bench.channels, *bench.inputs, *bench.outputs])
    return [
        (_LABEL["record"], str(bench.data)),
        (_LABEL["board"], board),
        (_LABEL["pins"], bench.pins.factory),
        *several(_LABEL["valves"], valves),
        *several(_LABEL["outputs"], outputs),
        *several(_LABEL["inputs"], inputs),
        *several(_LABEL["channels"], channels),
        (_LABEL["safety"], _safety(bench)),
        (_LABEL["can"], ", ".join(sorted(means)) or _LINE["can_no_more"]),
    ]


def family_rows(family: Family) -> Rows:
    """Say what a family is, how its parts are tested, and what to mind."""
    return [
        (_LABEL["does"], family.does),
        (_LABEL["aliases"], ", ".join(family.aliases)),
        *_port_rows(family),
        *(row for variant in family.variants.values() for row in _variant_rows(variant)),
        (_LABEL["look_over"], ", ".join(words.LOOK_OVER[each] for each in family.look_over)),
        *several(_LABEL["does_not_show"], family.does_not_show),
        *several(_LABEL["cautions"], map(words.caution, family.cautions)),
    ]


def sheet_rows(sheet: SpecSheet) -> Rows:
    """Say what a spec sheet holds a part to, and what is doubtful about it."""
    limits = [
        (_LABEL["limit"].format(test=test), words.limit_as_printed(table))
        for test, table in sheet.limits.items()
    ]
    doubtful = (
        words.said(each)
        for test, table in sheet.limits.items()
        for each in limit_from_table(dict(table), test).findings
    )
    return [(_LABEL["make"], sheet.make), *limits, *several(_LABEL["notes"], doubtful)]


def _kind_of(channel: object) -> str:
    return type(channel).__name__.removesuffix("Settings").lower()


def _safety(bench: Bench) -> str:
    safety = bench.safety
    said = _LINE["safety"].format(
        vacuum=format_quantity(safety.max_vacuum_pa, Kind.VACUUM, "inHg"),
        bath=format_quantity(safety.max_bath_k, Kind.TEMPERATURE, "degC"),
    )
    if safety.supply_v is None:
        return said
    least, most = (format_quantity(volts, Kind.VOLTAGE, "V") for volts in safety.supply_v)
    return f"{said}, {_LINE['supply'].format(least=least, most=most)}"


def _port_rows(family: Family) -> Iterator[tuple[str, str]]:
    for letter, port in family.ports.items():
        said = _LINE["port"].format(
            name=port.name,
            looks=port.looks,
            vacuum=format_quantity(port.max_vacuum_pa, Kind.VACUUM, "inHg"),
            pressure=format_quantity(port.max_pressure_pa, Kind.VACUUM, "psi"),
        )
        yield _LABEL["port"].format(port=letter), said


def _variant_rows(variant: Variant) -> Iterator[tuple[str, str]]:
    yield _LABEL["variant"].format(variant=variant.name), f"{variant.title}. {variant.tell}"
    for name, test in variant.tests.items():
        yield _LABEL["test"].format(test=name), _test(test)
    for question in variant.questions:
        yield _LABEL["question"].format(question=question.code), _question(question)


def _test(test: FamilyTest) -> str:
    limit = words.limit_as_printed(test.limit_table)
    purposes = [words.PURPOSES[purpose] for purpose in test.required_for]
    parts = [
        test.title,
        _LINE["held_to"].format(limit=limit) if limit else _LINE["no_limit"],
        _LINE["needed"].format(purposes=", ".join(purposes)) if purposes else "",
        _LINE["needs"].format(means=_means(test.needs)) if test.needs else "",
    ]
    return "; ".join(part for part in parts if part)


def _means(needs: Sequence[Sequence[Means]]) -> str:
    return _LINE["and"].join(_LINE["or"].join(each) for each in needs)


def _question(question: Question) -> str:
    said = _LINE["question"].format(statement=question.statement, otherwise=question.otherwise)
    if question.unless is None:
        return said
    return f"{said} {_LINE['question_unless'].format(means=question.unless)}"
