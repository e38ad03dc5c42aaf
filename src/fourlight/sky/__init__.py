"""Where things stand in the sky."""
