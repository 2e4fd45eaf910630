"""What is worked on: a take with its settings, its body, its findings, and how far the work is."""
