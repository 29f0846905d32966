"""`python -m logger`: the command line."""

from logger.cli import main

main()
