"""Own what can be done to a simulated bench from outside: strokes, faults; never a real one."""

from collections.abc import Callable, Mapping

from rig.daemon.build import Built
from rig.errors import InputError
from rig.toml_text import nearest

STROKE_M3 = 16e-6


class SimDoor:
    """The doors of a simulated board and plant, by the names of what can be done."""

    def __init__(self, built: Built) -> None:
        device, plant = built.device, built.plant
        if device is None or plant is None:
            raise ValueError("this bench is not simulated")
        self._plant = plant
        self._deeds: Mapping[str, Callable[..., None]] = {
            "stroke": lambda volume_m3=STROKE_M3: plant.stroke(volume_m3),
            "drop": lambda frames: device.drop(int(frames)),
            "garble": lambda lines: device.garble(int(lines)),
            "silence": device.silence,
            "reboot": device.reboot,
            "unplug": device.unplug,
            "replug": device.replug,
            "freeze": device.freeze,
            "spike": device.spike,
            "thermistor_open": device.thermistor_open,
            "thermistor_short": device.thermistor_short,
            "supply_volts": device.supply_volts,
            "mend": device.mend,
            "stop_press": device.stop_press,
            "stop_release": device.stop_release,
        }

    def do(self, what: str, figures: Mapping[str, float | str]) -> None:
        """Do something to board or plant.

        Raises InputError for what cannot be done, or not with such figures.
        """
        try:
            if what == "connect":
                name = figures.get("shelf")
                self._plant.connect(None if name is None else {"shelf": name})
            elif what in self._deeds:
                self._deeds[what](**figures)
            else:
                self._plant.fault(what, **{name: float(value) for name, value in figures.items()})
        except (TypeError, ValueError) as error:
            raise InputError(f"'{what}' cannot be done so: {error}") from error
        except InputError as error:
            raise InputError(f"{error} {nearest(what, list(self._deeds))}") from error
