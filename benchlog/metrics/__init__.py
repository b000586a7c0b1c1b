"""Figures of runs that go on, in the OpenMetrics text format, over HTTP."""
