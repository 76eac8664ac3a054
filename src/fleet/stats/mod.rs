//! The mathematics of the fleet: numbers in, numbers out. Does not know vehicles, tables or files.
