"""What is written down about footage: manifests, checksum lists, bags, signatures."""
