"""How a long run went: drift, ageing, temperature, events; in figures and words."""
