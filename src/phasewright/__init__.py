"""Phasewright: how much power delivery a computer board really needs, from bench logs.

The rooms are imported by name (``from phasewright.app import jobs``). The most used
jobs are also reachable from here, and are loaded only when first asked for.
"""

__version__ = "0.1.0"
