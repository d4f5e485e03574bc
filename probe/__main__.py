"""`python -m probe`: the command, where its script is not on the path."""

from probe.cli.main import run

if __name__ == "__main__":
    run()
