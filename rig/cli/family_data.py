"""Own the JSON form of a family of parts; never read a family file."""

from rig import words
from rig.cli.plain import Json
from rig.parts.family import Family, FamilyTest, Variant


def as_json(it: Family) -> Json:
    """Tell a family to a program; pressures in Pa, volumes in m3."""
    return {
        "name": it.name,
        "title": it.title,
        "aliases": list(it.aliases),
        "does": it.does,
        "fuel_vapour": it.fuel_vapour,
        "touches_brakes": it.touches_brakes,
        "cautions": [words.caution(each) for each in it.cautions],
        "look_over": [str(each) for each in it.look_over],
        "does_not_show": list(it.does_not_show),
        "ports": {
            name: {
                "name": port.name,
                "looks": port.looks,
                "max_vacuum_pa": port.max_vacuum_pa,
                "max_pressure_pa": port.max_pressure_pa,
                "typical_volume_m3": [port.least_typical_m3, port.most_typical_m3],
                "source": str(port.source),
            }
            for name, port in it.ports.items()
        },
        "variants": {name: _variant(variant) for name, variant in it.variants.items()},
    }


def _variant(it: Variant) -> Json:
    return {
        "title": it.title,
        "tell": it.tell,
        "tests": {name: _test(test) for name, test in it.tests.items()},
        "questions": [
            {
                "code": each.code,
                "statement": each.statement,
                "otherwise": each.otherwise,
                "unless": None if each.unless is None else str(each.unless),
            }
            for each in it.questions
        ],
    }


def _test(it: FamilyTest) -> Json:
    return {
        "title": it.title,
        "procedure": str(it.method),
        "required_for": [str(each) for each in it.required_for],
        "needs": [[str(means) for means in each] for each in it.needs],
        "plumbing": {port: str(fitting) for port, fitting in it.plumbing.items()},
        "vacuum_pa": it.vacuum_pa,
        "settle_s": it.settle_s,
        "hold_s": it.hold_s,
        "limit": dict(it.limit_table),
    }
