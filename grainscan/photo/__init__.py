"""From files to upright colour pictures and to the photographs of each blank."""
