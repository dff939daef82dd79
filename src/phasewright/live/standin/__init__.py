"""Stand-ins for instruments: faithful to the wire, faults on demand, and a log of every byte that was written to them."""
