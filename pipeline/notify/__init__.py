"""Tells people: what a notice says, who gets it, how it is sent, and what if it cannot be."""
