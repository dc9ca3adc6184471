"""The commands, one file each; every file has ``add_parser(commands)`` and ``run(args) -> int``."""
