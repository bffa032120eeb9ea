"""`python -m station` is `benchward`."""

from station.cli import main

main(prog_name="benchward")
