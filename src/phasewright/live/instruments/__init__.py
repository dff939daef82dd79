"""Drivers: one for each open standard. Each reads its channels on demand, and says why where it cannot."""
