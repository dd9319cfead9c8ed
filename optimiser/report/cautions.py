"""What nobody should do on the strength of this page alone."""

from __future__ import annotations

from optimiser.report.blocks import Points, Section
from optimiser.report.results import Results

CAUTIONS = (
    "Electrical work is for licensed people.",
    "Connecting to the grid and feeding into it need the network's written approval before installation.",
    "Batteries and capacitors keep dangerous energy even when they are isolated.",
    "Settings shown here are for planning; they are not protection settings.",
    "Check the warranty: it may limit cycles, energy throughput or use for grid services.",
    "These are estimates, not financial, tax or legal advice.",
    "Past prices do not predict future prices, and tariffs change.",
    "Ancillary services need registration and approved equipment, and usually an aggregator.",
    "Perfect foresight is an upper bound; nobody knows the prices, the sun and the load in advance.",
    "Codes and rules in force at the site govern over anything on this page.",
)

SECTION = Section("cautions", "Cautions", "Before acting on this", (Points(CAUTIONS),))


def section(results: Results) -> Section:
    """The cautions, the same for every page."""
    return SECTION
