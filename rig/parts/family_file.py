"""Own how a family file is read, and every reason to refuse one; never open a file or plan a test.

The form is shown by the family files that come with the program. A test stands once, below
[tests.NAME]; each variant names the tests it is given, and may say there what differs.
"""

import math
import re
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeVar

from rig.errors import LimitError
from rig.parts.family import (
    Family,
    FamilyError,
    FamilyTest,
    Fitting,
    Means,
    Method,
    Nouns,
    Port,
    Question,
    Variant,
)
from rig.parts.intake import LookOver
from rig.parts.limit_text import source_from_text
from rig.parts.limits import Limit
from rig.parts.shapes import Condition
from rig.parts.spec_sheet import read_limit
from rig.records import Purpose
from rig.toml_text import Table, TomlText
from rig.units import PA_PER_PSI, SEA_LEVEL_PA, Kind, format_quantity

MOST_AIR_PA = 3.0 * PA_PER_PSI
"""The rig gives no air above this to any port."""
_HOLD_S = 60.0
_LEAST_HOLD_S = 8.0
"""Less than this after the last stroke nothing is judged."""
_MOST_HOLD_S = 3600.0
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_PURPOSES: Mapping[str, Purpose] = MappingProxyType(
    {
        "before fitting": Purpose.BEFORE_FITTING,
        "for sale": Purpose.FOR_SALE,
    }
)
T = TypeVar("T")


def read_family(text: str, name: str) -> Family:
    """Read a family from the text of its file; `name` is the file's and gives the family's.

    Raises FamilyError with every fault of the file, each with its line, its key, what is wrong and
    what to write.
    """
    file = TomlText(text, name, FamilyError)
    root = file.root
    family_name = _family_name(name)
    ports = _named(root, "ports", _port)
    questions = _named(root, "questions", _question)
    tests = root.tables("tests")
    variants = {
        variant: _variant(variant, table, tests, questions, ports)
        for variant, table in root.tables("variants").items()
    }
    if not variants:
        root.complain("variants", "there is none. Write one below a heading [variants.NAME].")
    used = {test for table in root.tables("variants").values() for test in table.tables("tests")}
    for test in tests.keys() - used:
        tests[test].complain(None, "no variant is given this test. Name it in a variant's tests.")
    family = Family(
        name=family_name,
        title=root.text("title", "choke pull-off"),
        aliases=root.texts("aliases", "choke pull-down"),
        does=root.text("does", "Pulls the choke open a little as soon as the engine runs."),
        file_cautions=root.texts("cautions", "The rod is sprung: fingers clear of the rod."),
        fuel_vapour=root.flag("fuel_vapour"),
        is_of_brakes=root.flag("brakes", default=False),
        ports=MappingProxyType(ports),
        variants=MappingProxyType(variants),
        look_over=_look_over(root),
        does_not_show=root.texts("does_not_show", "how it holds hot"),
    )
    if root.has("cautions") and not family.file_cautions:
        root.complain("cautions", "a family without a caution is not believed. Write one at least.")
    root.finish()
    file.refuse()
    return family


def _family_name(file_name: str) -> str:
    name = re.split(r"[/\\]", file_name)[-1].removesuffix(".toml")
    if not _NAME.fullmatch(name):
        raise FamilyError(
            f"{file_name}: the file's name gives the family's. Use small letters, digits and"
            " underscores, such as choke_pull_off.toml."
        )
    return name


def _named(root: Table, key: str, read: Callable[[str, Table], T]) -> dict[str, T]:
    return {name: read(name, table) for name, table in root.tables(key).items()}


def _port(name: str, table: Table) -> Port:
    if not re.fullmatch("[a-z]", name):
        table.complain(None, f"'{name}' is no port. Ports are a, b, c and so on, as on the rig.")
    least_m3, most_m3 = table.spread("typical_volume", Kind.VOLUME, "8 cm3", "25 cm3")
    port = Port(
        name=table.text("name", "vacuum nipple"),
        looks=table.text("looks", "the one nipple on the cover, opposite the rod"),
        max_vacuum_pa=table.quantity("max_vacuum", Kind.VACUUM, "25 inHg"),
        max_pressure_pa=table.quantity("max_pressure", Kind.VACUUM, "1 psi"),
        least_typical_m3=least_m3,
        most_typical_m3=most_m3,
        least_volume_m3=table.quantity("least_volume", Kind.VOLUME, "2 cm3"),
        source=source_from_text(table.text("source", "rig default, not a specification")),
    )
    if port.max_vacuum_pa > SEA_LEVEL_PA:
        table.complain(
            "max_vacuum", "this cannot exist: a perfect vacuum is 29.9 inHg at sea level."
        )
    if port.max_pressure_pa > MOST_AIR_PA:
        table.complain("max_pressure", "the rig gives no more than 3 psi to any part. Write less.")
    if port.least_volume_m3 >= port.least_typical_m3:
        table.complain(
            "least_volume",
            "this must be below the least typical volume, or good parts are refused.",
        )
    table.finish()
    return port


def _question(code: str, table: Table) -> Question:
    unless = None
    if table.has("unless_bench_has"):
        word = table.text("unless_bench_has", Means.PART_VALVE)
        known = table.known("unless_bench_has", word, list(Means))
        unless = Means(known) if known else None
    question = Question(
        code=code,
        statement=table.text("statement", "Cover and nipple have no bleed hole and no filter."),
        otherwise=table.text("otherwise", "Take the test of the service manual, or just measure."),
        unless=unless,
    )
    table.finish()
    return question


def _variant(
    name: str,
    table: Table,
    tests: Mapping[str, Table],
    questions: Mapping[str, Question],
    ports: Mapping[str, Port],
) -> Variant:
    given = table.tables("tests")
    if table.content.get("tests", {}) == {}:
        table.complain("tests", "the variant is given no test. Write tests = { hold = {} }.")
    asked = [
        table.known("questions", code, questions) for code in table.texts("questions", *questions)
    ]
    variant = Variant(
        name=name,
        title=table.text("title", "direct-acting, no bleed"),
        tell=table.text("tell", "One nipple, no bleed hole, and the rod follows the pump at once."),
        tests=MappingProxyType(
            {
                test: _test(test, differs.over(tests[test]), ports)
                for test, differs in given.items()
                if table.table("tests").known(test, test, tests)
            }
        ),
        questions=tuple(questions[code] for code in asked if code),
    )
    table.finish()
    return variant


def _test(name: str, table: Table, ports: Mapping[str, Port]) -> FamilyTest:
    method = table.known("procedure", table.text("procedure", Method.HOLD), list(Method))
    needs = [_need(table, text) for text in table.texts("needs", "travel sensor or mark")]
    purposes = table.texts("required_for", *_PURPOSES)
    plumbing = _plumbing(table.table("plumbing"), ports)
    limit, limit_table = _limit(table)
    test = FamilyTest(
        name=name,
        title=table.text("title", "holds vacuum"),
        method=Method(method) if method else Method.HOLD,
        needs=tuple(needs),
        nouns=_nouns(table.table("nouns")),
        plumbing=MappingProxyType(plumbing),
        required_for=tuple(
            _PURPOSES[text] for text in purposes if table.known("required_for", text, _PURPOSES)
        ),
        vacuum_pa=_vacuum_pa(table, limit),
        settle_s=table.quantity("settle", Kind.TIME, "5 s"),
        hold_s=table.quantity("hold", Kind.TIME, "60 s") if table.has("hold") else _HOLD_S,
        limit=limit,
        limit_table=limit_table,
    )
    if test.hold_s < _LEAST_HOLD_S or test.hold_s > _MOST_HOLD_S:
        table.complain("hold", "write a time from 8 s, below which nothing is judged, to 1 h.")
    if test.settle_s >= test.hold_s:
        table.complain("settle", "settling must end before the hold does. Write less.")
    for port, fitting in plumbing.items():
        if fitting is Fitting.HOSE and test.vacuum_pa > ports[port].most_hold_pa:
            most = format_quantity(ports[port].most_hold_pa, Kind.VACUUM, "inHg")
            table.complain(
                "vacuum" if limit is None else "limit",
                f"port {port} bears a hold from {most} at most, which leaves a pump room below its"
                " max_vacuum. Hold from less, or look up what the port bears.",
            )
    table.finish()
    return test


def _limit(table: Table) -> tuple[Limit | None, Mapping[str, str]]:
    if not table.has("limit"):
        return None, MappingProxyType({})
    below = table.table("limit")
    limit, texts = read_limit(below)
    if limit is None:
        return None, texts
    try:
        limit.as_drop_limit(1.0)
    except LimitError as error:
        below.complain("shape", str(error))
    return limit, texts


def _vacuum_pa(table: Table, limit: Limit | None) -> float:
    """Read where the hold begins: with the limit, or by itself where there is none."""
    if limit is None and table.has("limit"):
        return math.nan
    start = None if limit is None else limit.conditions.get(Condition.START_VACUUM)
    if start is None:
        return table.quantity("vacuum", Kind.VACUUM, "15 inHg")
    if table.has("vacuum"):
        table.complain("vacuum", f"the limit says that it begins at {start}. Leave this out.")
    return start.value_si


def _need(table: Table, text: str) -> tuple[Means, ...]:
    words = [table.known("needs", word.strip(), list(Means)) for word in text.split(" or ")]
    return tuple(Means(word) for word in words if word)


def _nouns(table: Table) -> Nouns:
    nouns = Nouns(
        part=table.text("part", "pull-off"),
        port=table.text("port", "nipple"),
        moving=table.text("moving", "rod") if table.has("moving") else None,
    )
    table.finish()
    return nouns


def _plumbing(table: Table, ports: Mapping[str, Port]) -> dict[str, Fitting]:
    fittings = {}
    for port in ports:
        word = table.known(port, table.text(port, Fitting.HOSE), list(Fitting))
        if word:
            fittings[port] = Fitting(word)
    hoses = [port for port, fitting in fittings.items() if fitting is Fitting.HOSE]
    if len(hoses) != 1 and len(fittings) == len(ports):
        table.complain(None, "the rig's hose goes on one port. Write 'hose' for that one alone.")
    table.finish()
    return fittings


def _look_over(root: Table) -> tuple[LookOver, ...]:
    words = {each.replace("_", " "): each for each in LookOver}
    asked = root.texts("look_over", *words)
    return tuple(words[word] for word in asked if root.known("look_over", word, words))
