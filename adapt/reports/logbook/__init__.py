"""What is said of logbooks: imports, exports, the record, jobs."""
