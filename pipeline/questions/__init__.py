"""What is computed only when somebody asks: never part of a verdict."""
