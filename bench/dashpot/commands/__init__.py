"""One module a subcommand: a file `name.py` here with a click command called `command` is `dashpot name`."""
