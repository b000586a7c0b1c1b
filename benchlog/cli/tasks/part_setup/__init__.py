"""Making a part file: questions, the text with comments, where it goes."""
