"""``python -m uphaul``: the same as the ``uphaul`` command."""

from uphaul.cli import main

if __name__ == "__main__":
    main(prog_name="uphaul")
