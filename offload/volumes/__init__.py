"""What is mounted: mount table, physical devices below, watching, ejecting, staying awake."""
