"""``python -m sidewall.cli`` does what the installed program does."""

from sidewall.cli import main

if __name__ == "__main__":
    main()
