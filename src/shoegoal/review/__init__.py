"""The local page on which a teacher looks at sets, corrects them and signs them."""
