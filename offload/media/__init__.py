"""What clips are: structure, properties, pictures, sound, and how they stand to the brief."""
