"""The rotor file: what one rotor design of an aircraft type is, carries, and must keep inside.

Values stand in `values`, the reader of the TOML file in `reading`. What moves do to readings lives
in `effects`.
"""

from adapt.rotor.reading import read_rotor, rotor_in
from adapt.rotor.values import Adjuster, Limit, Regime, Rotor, Sensor, SharedRange

__all__ = [
    "Adjuster",
    "Limit",
    "Regime",
    "Rotor",
    "Sensor",
    "SharedRange",
    "read_rotor",
    "rotor_in",
]
