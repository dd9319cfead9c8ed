"""Grid-services revenue and arbitrage optimiser for solar-and-storage sites."""
