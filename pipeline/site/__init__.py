"""What is installed and how it is watched: models, reading from files, checks."""
