"""The graph: branches, op amps, ports, terminals, supplies; netlists in and out."""
