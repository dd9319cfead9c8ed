"""Money over the life: cash flow by item, payback, net present value, internal rates, cost of a stored kWh."""

from optimiser.finance.appraisal import Appraisal, appraise
from optimiser.finance.formulas import (
    capital_recovery,
    discounted,
    internal_rates,
    levelised,
    modified_rate,
    net_present_value,
    payback,
)

__all__ = [
    "Appraisal",
    "appraise",
    "capital_recovery",
    "discounted",
    "internal_rates",
    "levelised",
    "modified_rate",
    "net_present_value",
    "payback",
]
