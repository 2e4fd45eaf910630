"""What is wrong with a take, where, and how badly; nothing is changed here."""
