"""Values that can be bought: preferred series, and the choice of one section's parts."""
