"""One run: limit, budget, decision and the reasons for it."""
