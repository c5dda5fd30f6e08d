"""Transformations of networks: each a theorem with checked preconditions and a recorded step.

A transformation is a frozen object with ``accepts(network)``, the reason why it does not apply
(empty when it does), and ``apply(network)``, the new network and the step.
"""
