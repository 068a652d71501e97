"""The pages of the console, one module for each group: its `ROUTES`, and a class with a method for each of them."""
