"""Builds the adapters and hands them to the jobs."""
