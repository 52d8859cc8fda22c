"""A page in millimetres with measured lettering, and the files it makes."""
