"""Files and the devices under them: durable writes, exclusive names, reading past the cache."""
