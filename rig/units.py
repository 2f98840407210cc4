"""Own every conversion between SI and the units that the trade prints; never guess a unit.

Inside the program only pascal (absolute), kelvin or degrees Celsius by name, cubic metres and
seconds exist. An inch of mercury is that of 0 degC (ISO 80000-4 conventional mercury).
"""

PA_PER_INHG = 3386.389
PA_PER_KPA = 1000.0
PA_PER_MBAR = 100.0
PA_PER_MMHG = 133.322387415
SEA_LEVEL_PA = 101_325.0
"""Standard atmosphere at sea level (ISO 2533)."""

ZERO_CELSIUS_K = 273.15
M3_PER_CC = 1e-6
STD_CC_PER_MIN_PER_M3_S = 6e7
"""Standard cm3/min (ANR) in one standard m3/s."""
