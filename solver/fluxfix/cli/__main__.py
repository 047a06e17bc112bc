"""`python -m fluxfix.cli`: the same as `fluxfix`."""

from fluxfix.cli import main

main()
