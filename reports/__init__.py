"""Decisions as pages, sheets and tables that people read."""
