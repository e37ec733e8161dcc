"""One light or its feed? What is open, and what to test first."""
