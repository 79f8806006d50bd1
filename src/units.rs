//! Units of the project and the conversions between them. Names end in the unit; conversions are `a_to_b`.
