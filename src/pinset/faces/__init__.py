"""The same Answer shown as command, page, paper and in a notebook."""
