"""`python -m app` is the `bittern` command."""

from app.cli import main

if __name__ == "__main__":
    main()
