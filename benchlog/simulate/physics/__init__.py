"""Oscillators, room, receiver and pulses as functions of one time."""
