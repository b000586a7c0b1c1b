"""Pages of a qualification: one for each device, one for the rack."""
