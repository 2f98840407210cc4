"""Own how a finding becomes a sentence, figures in the units of the trade; never hold a text.

A sentence is a template. Its figures arrive in SI, named with their units, and are written here in
the units of the trade: a name's ending says how (`_pa` in inHg, `_s` in seconds, and so on).
"""

from collections.abc import Mapping

from rig import figures
from rig.records import Estimate, Finding
from rig.units import Kind, format_quantity
from rig.words import bench, faults, results

SENTENCES: Mapping[str, str] = {
    **results.SENTENCES,
    **bench.SENTENCES,
    **faults.SENTENCES,
}


def sentence(finding: Finding) -> str:
    """Return the sentence of a finding, its figures in the units of the trade.

    Raises KeyError for a code without a sentence, or where a figure of the sentence is missing.
    """
    template = SENTENCES[finding.code]
    said = {name: _figure(name, value) for name, value in finding.figures.items()}
    return template.format_map(said | _derived(finding.figures))


def blank_off_refused(name: str, spoiled_by: Finding) -> str:
    """Say that a blank-off cannot be used, and what spoiled it."""
    return f"{name} cannot serve as blank-off: {sentence(spoiled_by)}"


def _figure(name: str, value: float | str) -> str:
    if isinstance(value, str):
        return value if name not in _WORDS_OF else _WORDS_OF[name][value]
    if name in _WRITTEN_AS:
        return format_quantity(value, *_WRITTEN_AS[name])
    if name.endswith("_pa"):
        return figures.inhg(value)
    for ending, (kind, unit) in _ENDINGS.items():
        if name.endswith(ending):
            return format_quantity(value, kind, unit)
    return f"{value:g}"


_WORDS_OF: Mapping[str, Mapping[str, str]] = {
    "kind": results.SETTLINGS,
    "cause": bench.CAUSES,
    "trip": faults.TRIPS,
    "largest_source": results.SOURCES,
    "says": {str(outcome): word for outcome, word in results.OUTCOMES.items()},
}
_WRITTEN_AS = {
    "pressure_pa": (Kind.ABSOLUTE_PRESSURE, "kPa"),
    "gas_temperature_k": (Kind.TEMPERATURE, "degC"),
    "bath_temperature_k": (Kind.TEMPERATURE, "degC"),
    "max_bath_temperature_k": (Kind.TEMPERATURE, "degC"),
    "share": (Kind.SHARE, "%"),
}
_ENDINGS = {
    "_m3_s": (Kind.FLOW, figures.FLOW_UNIT),
    "_m3": (Kind.VOLUME, "cm3"),
    "_k": (Kind.TEMPERATURE_DIFFERENCE, "degC"),
    "_s": (Kind.TIME, "s"),
    "_v": (Kind.VOLTAGE, "V"),
}


def _derived(given: Mapping[str, float | str]) -> dict[str, str]:
    """Write what is made of more than one figure, or of one in another way."""
    said: dict[str, str] = {}
    number = {name: value for name, value in given.items() if not isinstance(value, str)}
    if "drop_pa" in number and "u_pa" in number:
        said["drop"] = figures.drop(number["drop_pa"], number["u_pa"])
    if "drop_pa" in number:
        said["reading"] = figures.dial_inhg(number["drop_pa"])
    if "leak_m3_s" in number:
        said["leak"] = figures.flow(number["leak_m3_s"], number["u_m3_s"])
    if "probability" in number:
        said["sure"] = figures.sure(number["probability"])
        said["sure_not"] = figures.sure(1.0 - number["probability"])
    if "time_constant_s" in number:
        longer_s = max(3.0 * number["time_constant_s"], 2.0 * number["hold_s"])
        said["longer"] = figures.seconds(longer_s)
    if "step_pa" in number:
        said["step"] = figures.inhg(abs(number["step_pa"]))
    if "change_k" in number:
        said["warmed"] = "warmed" if number["change_k"] > 0.0 else "cooled"
        said["change"] = _figure("_k", abs(number["change_k"]))
    if "count" in number:
        said["readings"] = "reading was" if number["count"] == 1 else "readings were"
    if "gas_temperature_u_k" in number:
        said["give"] = _figure("_k", 2.0 * number["gas_temperature_u_k"])
    if "largest_source" in given:
        said["remedy"] = results.REMEDIES[str(given["largest_source"])]
    return said


def doubt_by_source(estimate: Estimate) -> list[tuple[str, str]]:
    """List what the doubt of a drop [Pa] comes from: label and inHg, largest first.

    What adds less than a twentieth of the whole is left out. Raises KeyError for a source without
    a label.
    """
    parts = sorted(estimate.sources.items(), key=lambda item: -item[1])
    said = []
    for name, u_pa in parts:
        label, doubt = results.SOURCES[name], figures.doubt_of_drop(u_pa)
        if doubt is not None and u_pa > 0.05 * estimate.u:
            said.append((label, doubt))
    return said
