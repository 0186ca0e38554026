"""Stands here so that every test folder can import the invented fleet beside it."""
