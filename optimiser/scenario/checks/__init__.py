"""What a practitioner would warn of before power is switched on: ratings, currents, phases, clocks."""
