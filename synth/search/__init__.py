"""Search: which circuits of the catalogue, transformed, can have a wanted section, and how."""
