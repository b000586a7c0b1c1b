"""The process of one message: gives way to the keeper before it imports the rest."""

from benchlog.priority import give_way


def main() -> int:
    """Let the keeper go first, then do what `letter.main` does."""
    give_way()
    from benchlog.recorder.letters import letter  # noqa: PLC0415 - most of its start

    return letter.main()


if __name__ == "__main__":
    raise SystemExit(main())
