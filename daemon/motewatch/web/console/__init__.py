"""The console: the pages that the daemon serves to people who sign in."""
