"""The command line: the only part that prints, asks, exits and reads the environment."""
