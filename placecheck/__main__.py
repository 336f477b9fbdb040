"""`python -m placecheck` is the `placecheck` command."""

from placecheck.cli import main

if __name__ == "__main__":
    main()
