"""Loads whose time is free within what the file allows, of every kind."""

from __future__ import annotations

from optimiser.equipment.heat_load import HeatLoad
from optimiser.equipment.session_load import SessionLoad
from optimiser.equipment.shed_load import ShedLoad

AnyFlexible = SessionLoad | HeatLoad | ShedLoad
KINDS = (SessionLoad, HeatLoad, ShedLoad)
