"""The record book: sets, corrections, signatures, chained so that no later change goes unseen."""
