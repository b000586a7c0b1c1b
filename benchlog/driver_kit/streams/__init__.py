"""Counters that stream: blocks out of answers, the time of each reading."""
