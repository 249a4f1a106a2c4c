"""What is broken, and what to do next: an exact model of the faults of a box and its drives.

Pure: tables with the origin of every number (`*.toml`), all worlds of up to two faults, what answers make
of them, and the next step by expected cost.
"""
