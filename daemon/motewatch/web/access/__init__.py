"""Who may sign in at the console and what they may do."""
