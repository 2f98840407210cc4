"""Own the bench file of a simulated bench; never read one."""

import json
from pathlib import Path

_HEAD = """\
# A simulated bench: the board is a program behind a pseudo-terminal, the pins are imitated.
name = "Low Yard, simulated bench"
data = {data}

[link]
port = {port}
rate_hz = {rate_hz}
lease_ms = 500

[pins]
factory = "mock"
"""
_REST = """
[valves.pump]
pin = "GPIO17"
at_rest = "shut"
active_high = true

[valves.vent]
pin = "GPIO27"
at_rest = "open"
active_high = true

[valves.part]
pin = "GPIO22"
at_rest = "open"
active_high = true

[valves.port_b]
pin = "GPIO23"
at_rest = "open"
active_high = true

[outputs.coil]
pin = "GPIO24"
active_high = true

[outputs.electric_pump]
pin = "GPIO25"
active_high = true

[outputs.lamp]
pin = "GPIO5"
active_high = true

[outputs.buzzer]
pin = "GPIO6"
active_high = true

[inputs.mark]
pin = "GPIO16"
pressed = "low"

[inputs.stop]
pin = "GPIO26"
pressed = "open"

[channels.p_a]
kind = "pressure"
input = "p0"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "1 %"
zero_u = "300 Pa"

[channels.p_b]
kind = "pressure"
input = "p1"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "1 %"
zero_u = "300 Pa"

[channels.t_gas]
kind = "thermistor"
input = "t0"
fixed_ohm = 10000
reference = "3.3 V"
side = "to_ground"
curve = [1.129241e-3, 2.341077e-4, 8.775468e-8]
u = "0.3 degC"

[channels.t_bath]
kind = "thermistor"
input = "t1"
fixed_ohm = 10000
reference = "3.3 V"
side = "to_ground"
curve = [1.129241e-3, 2.341077e-4, 8.775468e-8]
u = "0.3 degC"

[channels.supply]
kind = "voltage"
input = "v0"
input_ratio = 6.0

[channels.travel]
kind = "travel"
input = "x0"
low = ["0.5 V", "0 mm"]
high = ["4.5 V", "25 mm"]

[safety]
max_vacuum = "25 inHg"
max_bath = "95 degC"
supply = ["11 V", "15 V"]
"""


def simulated_bench_text(
    port: str, data: Path, *, journal: str | None = "pins.log", rate_hz: int = 200
) -> str:
    """Write the bench file of a simulated bench with all that a bench can have but a barometer.

    `port` is where the simulated board will be found, `data` the folder of the record, `journal`
    the name of the file in it that takes every change of a pin, None for no journal.
    """
    head = _HEAD.format(data=json.dumps(str(data)), port=json.dumps(port), rate_hz=rate_hz)
    # A JSON string is a TOML string.
    kept = f"journal = {json.dumps(journal)}\n" if journal else ""
    return head + kept + _REST
