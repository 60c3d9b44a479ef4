"""A dressed, articulated human body: baked shapes, its pose, a kick, and its picture.

The pose network takes no notice of figures made of cones; this body it sees as a person. What is
true of a kick is read off the posed body, never off the numbers that the kick was asked for with.
"""
