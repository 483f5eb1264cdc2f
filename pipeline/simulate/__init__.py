"""
A physical simulator of structures, their climate and their gauges, with known truth.

It is a forward model written from the physics: it shares no code with the chain that inverts it and
imports nothing of the package but `errors`.
"""
