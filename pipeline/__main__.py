"""`python -m pipeline` is the command `annealog`."""

from pipeline.cli import main

main()
