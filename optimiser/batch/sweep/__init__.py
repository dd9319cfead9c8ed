"""Sweeps: many variants of a scenario, worked out anywhere, kept in one store."""
