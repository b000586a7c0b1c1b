"""`python -m benchlog.cli`: the same as `benchlog`, for starting ourselves."""

from benchlog.cli import main

if __name__ == "__main__":
    main()
