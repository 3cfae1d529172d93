"""What weather can be: beyond it a unit is wrong, or a device broken. And what it is taken to be where nobody knows."""

from __future__ import annotations

from typing import Final

#: More than this in an hour or a day is a unit error or a broken gauge, not weather: the largest
#: falls ever measured are about 400 mm in an hour and 1 825 mm in a day (WMO record lists, from memory).
MOST_MM_HOUR: Final = 400.0
MOST_MM_DAY: Final = 1_900.0
#: What air and sun can do at the ground; beyond it a unit is wrong. [°C], [W/m²]
#: (−89.2 and 56.7 °C are the WMO's records; clouds can lift the sun's 1,360 W/m² a little. From memory.)
TEMPERATURE_C: Final = (-95.0, 65.0)
RADIATION_W_M2: Final = (-20.0, 1_800.0)
#: Rain of a month where the site file promises nothing and no record exists. [mm] A guess, and named so.
GUESSED_MONTH_MM: Final = 60.0
