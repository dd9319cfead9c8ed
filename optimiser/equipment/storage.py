"""The technologies of storage, and banks beside one another on the bus."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from optimiser.equipment.bank import StorageBank
from optimiser.equipment.battery import Battery
from optimiser.equipment.capacitor_bank import CapacitorBank

AnyBank = Battery | CapacitorBank
KINDS = get_args(AnyBank)


def capacity_shares(banks: Sequence[StorageBank]) -> list[float]:
    """Each bank's share of all usable energy, by which banks share what calls are expected to move. [-]"""
    whole = sum(bank.capacity_kwh for bank in banks)
    return [bank.capacity_kwh / whole for bank in banks]


def bank_on_bus(banks: Sequence[StorageBank]) -> StorageBank | None:
    """The bank that fixes the bus voltage: the one without a converter of its own, if there is one."""
    direct = [bank for bank in banks if bank.converter is None]
    return direct[0] if direct else None
