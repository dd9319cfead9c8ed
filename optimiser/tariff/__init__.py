"""What a bill's components charge: each amount of money is defined here, once; one file a family."""

from optimiser.tariff.contract import KINDS, AnyComponent, Billing, Tariff
from optimiser.tariff.demand import ApparentDemandCharge, CapacityFee, DemandCharge, FeeStep, Ratchet
from optimiser.tariff.energy import (
    BlockCharge,
    ControlledLoad,
    EnergyCharge,
    Fee,
    SpotCharge,
    SubscribedCapacity,
    VolumeCharge,
)
from optimiser.tariff.export import ExportCharge, FeedIn, SpotFeedIn, TieredFeedIn
from optimiser.tariff.fixed import DailyCharge, MinimumCharge, PeriodCharge
from optimiser.tariff.parts import Block, RatePeriod

__all__ = [
    "KINDS",
    "AnyComponent",
    "ApparentDemandCharge",
    "Billing",
    "Block",
    "BlockCharge",
    "CapacityFee",
    "ControlledLoad",
    "DailyCharge",
    "DemandCharge",
    "EnergyCharge",
    "ExportCharge",
    "Fee",
    "FeeStep",
    "FeedIn",
    "MinimumCharge",
    "PeriodCharge",
    "Ratchet",
    "RatePeriod",
    "SpotCharge",
    "SpotFeedIn",
    "SubscribedCapacity",
    "Tariff",
    "TieredFeedIn",
    "VolumeCharge",
]
