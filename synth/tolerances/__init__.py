"""What tolerance does to a circuit: Monte Carlo, worst case, sensitivities, yield."""
