"""The HTTP edge: routes parse, call one use case and answer; nothing is decided here."""
