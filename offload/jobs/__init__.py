"""Jobs: each file the one place that knows the order of one job's steps."""
