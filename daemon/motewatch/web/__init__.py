"""What is shown in a browser. Above the links, below the service, which starts it."""
