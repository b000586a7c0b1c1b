"""The time of a run as no setting of the wall clock changes it."""
