"""Tables and declarations that the program ships."""
