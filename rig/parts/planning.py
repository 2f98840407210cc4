"""Own which tests a run makes and what each is held to; never make one or judge a part."""

from collections.abc import Callable, Collection, Iterable, Mapping
from types import MappingProxyType

from rig.errors import InputError, LimitError
from rig.parts.family import Family, FamilyTest, Means, Method, Port, Question, Variant
from rig.parts.limit_text import limit_from_table
from rig.parts.limits import Limit
from rig.parts.shapes import Condition
from rig.records import Purpose
from rig.runs import RunPlan, TestPlan
from rig.toml_text import nearest
from rig.units import Kind, format_quantity

DROP_WITHIN_S = 20.0
"""The time that a drop is stated for where no limit gives one."""


class PlanError(InputError):
    """A run cannot be made as it is asked for; with every reason in `errors`."""


def bench_means(names: Iterable[str]) -> frozenset[Means]:
    """List the means of a bench from the names of its valves, channels, inputs and outputs."""
    return frozenset(_MEANS[name] for name in names if name in _MEANS)


def plan(
    family: Family,
    variant: str,
    purpose: Purpose,
    bench_has: Collection[Means],
    *,
    chosen_tests: Collection[str] | None = None,
    own_limits: Mapping[str, Mapping[str, str]] | None = None,
    confirmed: Collection[str] = (),
) -> tuple[TestPlan, ...]:
    """Plan the tests of a run, in the order of the family file.

    Without a choice these are all that the purpose requires and what else the bench can do. A
    limit of `own_limits`, by test, takes the place of the family's. `confirmed` holds codes.

    Raises PlanError with every reason why not: a name that is not known, a test without means, a
    question not confirmed, a limit that is missing, cannot be true or goes beyond the port.
    """
    kind = _variant(family, variant)
    own = own_limits or {}
    chosen = _chosen(kind, purpose, bench_has) if chosen_tests is None else chosen_tests
    reasons = [_no_such_test(name, kind) for name in (*chosen, *own) if name not in kind.tests]
    asked = [test for name, test in kind.tests.items() if name in chosen]
    if not asked and not reasons:
        reasons.append("No test was chosen that this bench can make. Choose one.")
    if purpose.confidence is not None:
        reasons += [_unanswered(each) for each in open_questions(kind, bench_has, confirmed)]
    plans = []
    for test in asked:
        reasons += [
            f"{test.title}: this needs {_one_of(each)}, and the bench has none."
            for each in missing_means(test, bench_has)
        ]
        try:
            plans.append(_test_plan(family, test, purpose, own.get(test.name)))
        except InputError as error:
            reasons.append(f"{test.title}: {error}")
    if reasons:
        raise PlanError(*reasons)
    return tuple(plans)


def required_tests(variant: Variant, purpose: Purpose) -> tuple[str, ...]:
    """List the tests without whose pass a run for this purpose does not pass."""
    return tuple(name for name, test in variant.tests.items() if purpose in test.required_for)


def missing_means(test: FamilyTest, bench_has: Collection[Means]) -> tuple[tuple[Means, ...], ...]:
    """List what the bench lacks for a test: of each entry any one would do."""
    return tuple(need for need in test.needs if not set(need) & set(bench_has))


def open_questions(
    variant: Variant, bench_has: Collection[Means], confirmed: Collection[str] = ()
) -> tuple[Question, ...]:
    """List what must still be confirmed before a part of this variant is judged."""
    return tuple(
        question
        for question in variant.questions
        if question.code not in confirmed and question.unless not in bench_has
    )


def not_tested(run: RunPlan, family: Family) -> tuple[str, ...]:
    """List what a run does not test: tests of its variant left out, then what the rig cannot show.

    Raises PlanError when the family has no such variant.
    """
    planned = {test.name for test in run.tests}
    tests = _variant(family, run.variant).tests
    left_out = [test.title for name, test in tests.items() if name not in planned]
    return (*left_out, *family.does_not_show)


def hold_settings(test: FamilyTest, port: Port, limit: Limit | None) -> Mapping[str, float]:
    """Get the figures that a hold needs, in SI; the limit's, where it has them, come first.

    Raises LimitError when the limit is not one of a hold, or begins beyond what the port bears.
    """
    figures = {
        "target_vacuum_pa": test.vacuum_pa,
        "drop_within_s": DROP_WITHIN_S,
        "settle_s": test.settle_s,
        "hold_s": test.hold_s,
        "port_max_vacuum_pa": port.max_vacuum_pa,
        "port_max_pressure_pa": port.max_pressure_pa,
        "typical_volume_m3": port.typical_volume_m3,
        "typical_volume_u_m3": port.typical_volume_u_m3,
        "least_volume_m3": port.least_volume_m3,
    }
    if limit is None:
        return MappingProxyType(figures)
    drop = limit.as_drop_limit(0.0)
    if drop.from_vacuum_pa > port.most_hold_pa:
        most = format_quantity(port.most_hold_pa, Kind.VACUUM, "inHg")
        raise LimitError(
            f"the limit begins at {limit.conditions[Condition.START_VACUUM]}, and the {port.name}"
            f" bears a hold from {most} at most. Take a limit that begins lower."
        )
    figures |= {"target_vacuum_pa": drop.from_vacuum_pa, "drop_within_s": drop.within_s}
    if Condition.REFERENCE_VOLUME in limit.conditions:
        figures["reference_volume_m3"] = drop.reference_volume_m3
    return MappingProxyType(figures)


def _test_plan(
    family: Family, test: FamilyTest, purpose: Purpose, own_limit: Mapping[str, str] | None
) -> TestPlan:
    limit, table = test.limit, test.limit_table
    if own_limit is not None:
        limit, table = limit_from_table(own_limit, "the limit given"), own_limit
    judged = purpose.confidence is not None
    if judged and limit is None:
        raise PlanError("no limit is known. Give that of the service manual, or just measure.")
    settings = _SETTINGS[test.method](test, family.ports[test.hosed_port], limit)
    return TestPlan(
        test.name, test.method.value, MappingProxyType(dict(table if judged else {})), settings
    )


def _chosen(kind: Variant, purpose: Purpose, bench_has: Collection[Means]) -> list[str]:
    required = required_tests(kind, purpose)
    return [
        name
        for name, test in kind.tests.items()
        if name in required or not missing_means(test, bench_has)
    ]


def _variant(family: Family, name: str) -> Variant:
    if name not in family.variants:
        raise PlanError(
            f"{family.title}: there is no variant '{name}'. {nearest(name, family.variants)}"
        )
    return family.variants[name]


def _no_such_test(name: str, kind: Variant) -> str:
    return f"{kind.title}: there is no test '{name}'. {nearest(name, kind.tests)}"


def _unanswered(question: Question) -> str:
    return (
        f"Before it is judged, confirm '{question.code}': {question.statement}"
        f" If it is otherwise: {question.otherwise}"
    )


def _one_of(any_of: Iterable[Means]) -> str:
    """Say which means would do: a travel sensor, or your mark."""
    return ", or ".join(f"{_ARTICLES.get(each, 'a')} {each}" for each in any_of)


_ARTICLES = {Means.MARK: "your", Means.ELECTRIC_PUMP: "an"}
_SETTINGS: Mapping[Method, Callable[[FamilyTest, Port, Limit | None], Mapping[str, float]]] = (
    MappingProxyType({Method.HOLD: hold_settings})
)
_MEANS: Mapping[str, Means] = MappingProxyType(
    {
        "part": Means.PART_VALVE,
        "port_b": Means.PORT_B_VALVE,
        "p_b": Means.PORT_B_SENSOR,
        "barometer": Means.BAROMETER,
        "t_bath": Means.BATH_THERMISTOR,
        "travel": Means.TRAVEL_SENSOR,
        "signal": Means.SIGNAL_INPUT,
        "mark": Means.MARK,
        "coil": Means.COIL_OUTPUT,
        "electric_pump": Means.ELECTRIC_PUMP,
    }
)
"""What a bench has by the name in its file."""
