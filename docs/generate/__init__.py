"""Makes the reference's pages from the code's own records, before Sphinx reads them."""
