"""Media card offload and verification: copy, prove, record, and only then say *safe*."""

__version__ = "0.1.0"
