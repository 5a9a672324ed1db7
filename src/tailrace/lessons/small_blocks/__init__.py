"""Why spinning drives collapse at small block sizes."""
