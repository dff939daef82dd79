"""Values that cannot be taken at face value: found, marked, said; never changed silently."""

from phasewright.logs.sanity.counters import unwrap
from phasewright.logs.sanity.doubts import Doubts
from phasewright.logs.sanity.looking import look_at
from phasewright.logs.sanity.together import question

VERSION = 5
"""Raised when the same columns would be judged otherwise."""

__all__ = ["VERSION", "Doubts", "look_at", "question", "unwrap"]
