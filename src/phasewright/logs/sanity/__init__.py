"""Values that cannot be taken at face value: found, marked, said; never changed silently."""

from phasewright.logs.sanity.counters import unwrap
from phasewright.logs.sanity.doubts import Doubts
from phasewright.logs.sanity.looking import look_at

__all__ = ["Doubts", "look_at", "unwrap"]
