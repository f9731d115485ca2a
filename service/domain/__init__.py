"""Judging batteries: plain values in, plain values out; no clock, no file, no network, no randomness."""
