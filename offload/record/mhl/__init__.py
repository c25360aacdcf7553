"""The ASC Media Hash List, version 2.0: manifests, chains and histories."""
