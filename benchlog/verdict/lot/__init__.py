"""A lot: sampling plan, decision, capability, what speaks against it."""
