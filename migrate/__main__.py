"""`python -m migrate` does what the `migrate` command does."""

from migrate.cli.app import main

main()
