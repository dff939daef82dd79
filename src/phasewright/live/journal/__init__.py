"""The journal: append-only text, one line a record, each with its own checksum; read back whatever happened to it."""
