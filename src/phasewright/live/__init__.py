"""Instruments on the wire, and the virtual bench that stands in for them.

Takes: a scenario or instruments on the bench.
Gives: log files as a real bench would write them, and the truth behind them.
May import: logs, physics, bench, quantity.
May touch: wire, clock; writes campaign folders.
Asks: does it touch, or stand in for, an instrument?
"""

__all__: list[str] = []
