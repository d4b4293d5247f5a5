"""Files that hang on jobs: photos of the old cylinder, a customer's list, a signed authority."""
