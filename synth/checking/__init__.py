"""What a real amplifier does to a circuit: figures and findings."""
