"""The record book: sets, corrections, signatures, chained so that every later change shows."""
