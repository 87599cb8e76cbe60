//! The inventory: import, export and check of the fleet file.
