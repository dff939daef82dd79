"""Phasewright: how much power delivery a computer board really needs, from bench logs.

    import phasewright
    analysis = phasewright.analyze("my-campaign")

Every job of the command line is a function of the same name here (``demo``, ``new``, ``check``, ``read``,
``analyze``, ``predict``, ``preflight``, ``design``, ``report``, ``package``, ``verify``, ``compare``). They are loaded when first
asked for: importing this package costs nothing.
The rooms behind them are imported by name: ``from phasewright.quantity import propagate``.
"""

from importlib import import_module as _import_module

__version__ = "0.1.0"

__all__ = ["__version__", "analyze", "check", "compare", "demo", "design", "new", "package", "predict", "preflight", "read",
           "report", "verify"]  # fmt: skip


def __getattr__(name: str):
    # Not an import statement on purpose: the jobs import every room, and a root that imports the jobs would put all
    # of them into one ring (docs/decisions/0003-front-door.md).
    if name in __all__:
        return getattr(_import_module("phasewright.app.jobs"), name)
    raise AttributeError(f"module 'phasewright' has no attribute {name!r}; its jobs are {', '.join(__all__[1:])}")


def __dir__() -> list[str]:
    return sorted(__all__)
