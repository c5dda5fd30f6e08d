"""A circuit on one page to hand on: the record, and its rendering as one self-contained file."""
