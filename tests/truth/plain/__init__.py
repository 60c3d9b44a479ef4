"""The plain painter: scenes painted with tiles, stamps and shadow polygons instead of rays."""
