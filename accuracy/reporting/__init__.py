"""From the record to pages, tables and signatures."""
