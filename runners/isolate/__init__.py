"""Methods under test run in processes of their own, under limits."""
