"""Replay of activated services: a plain simulation of the plant at fine steps, beside the linear program's rules."""
