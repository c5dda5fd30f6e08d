"""From a target to ranked designs, and from a circuit at hand to transformed ones."""
