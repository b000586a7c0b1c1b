"""The keeper: owns instruments, pace and the rows of its runs.

Import what you need from the modules: `keeper.keep` (foreground), `launch.launch` (a
process of its own), `instruments.instrument_check.check_instrument` (one identity, one
reading). This file
stays empty because every instrument process passes through it.
"""
