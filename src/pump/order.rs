//! Firing order: where each module's stroke lies on the crank.

/// Why a firing order can't be used.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum OrderError {
    /// No modules.
    #[error("the firing order is empty; write the module numbers in the order they discharge, such as 1,2,3")]
    Empty,
    /// A module that the order does not hold.
    #[error("module {module} is not in the firing order {order}; name one of its modules or correct --order")]
    Missing {
        /// The module asked for.
        module: u32,
        /// The order as text.
        order: String,
    },
    /// A module that occurs twice.
    #[error("module {module} occurs twice in the firing order {order}; each module discharges once a turn")]
    Twice {
        /// The module.
        module: u32,
        /// The order as text.
        order: String,
    },
    /// Not a list of module numbers.
    #[error("\"{text}\" is not a firing order; write module numbers from 1 with commas between, such as 1,3,2")]
    NotAnOrder {
        /// What was typed.
        text: String,
    },
}

fn as_text(order: &[u32]) -> String {
    order.iter().map(u32::to_string).collect::<Vec<_>>().join(",")
}

fn check(order: &[u32]) -> Result<(), OrderError> {
    if order.is_empty() {
        return Err(OrderError::Empty);
    }
    match order.iter().enumerate().find(|(at, module)| order[..*at].contains(module)) {
        Some((_, &module)) => Err(OrderError::Twice { module, order: as_text(order) }),
        None => Ok(()),
    }
}

/// Reads a firing order such as `1,2,3`.
///
/// # Errors
/// [`OrderError`] when the text is not a list of different module numbers from 1.
pub fn parse_order(text: &str) -> Result<Vec<u32>, OrderError> {
    let bad = || OrderError::NotAnOrder { text: text.to_owned() };
    if text.trim().is_empty() {
        return Err(OrderError::Empty);
    }
    let order: Vec<u32> = text
        .split(',')
        .map(|part| part.trim().parse().ok().filter(|&m| m > 0).ok_or_else(bad))
        .collect::<Result<_, _>>()?;
    check(&order)?;
    Ok(order)
}

/// How many degrees of crank turn after the first module of the order `module` starts its discharge stroke.
///
/// # Formula
/// `360 position / N`, position from 0: with order 1,2,3 module 2 starts 120 degrees after module 1, with order 1,3,2 it is 240. The
/// modules are taken to be spread evenly over the turn, as those of triplex, quintuplex and septuplex pumps are; the cranks of a
/// double-acting duplex stand 90 degrees apart and are not described by an order.
///
/// # Errors
/// [`OrderError`] when the order is empty, holds a module twice, or lacks `module`.
pub fn module_offset_deg(order: &[u32], module: u32) -> Result<f64, OrderError> {
    check(order)?;
    let position = order.iter().position(|&m| m == module);
    let position = position.ok_or_else(|| OrderError::Missing { module, order: as_text(order) })?;
    Ok(360.0 * position as f64 / order.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn modules_follow_one_another_in_the_order_named() {
        let offsets =
            |order: &[u32]| -> Vec<f64> { (1..=3).map(|module| module_offset_deg(order, module).unwrap()).collect() };
        assert_eq!(offsets(&[1, 2, 3]), [0.0, 120.0, 240.0]);
        assert_eq!(offsets(&[1, 3, 2]), [0.0, 240.0, 120.0]);
        assert_eq!(offsets(&[2, 3, 1]), [240.0, 0.0, 120.0]);
        assert_eq!(module_offset_deg(&[1, 3, 5, 2, 4], 5), Ok(144.0));
    }

    #[test]
    fn orders_that_make_no_sense_say_so() {
        assert_eq!(module_offset_deg(&[], 1), Err(OrderError::Empty));
        assert!(matches!(module_offset_deg(&[1, 2, 3], 4), Err(OrderError::Missing { module: 4, .. })));
        assert!(matches!(module_offset_deg(&[1, 2, 2], 1), Err(OrderError::Twice { module: 2, .. })));
        assert_eq!(parse_order(" 1, 3,2"), Ok(vec![1, 3, 2]));
        for text in ["1;2", "0,1", "a", "1,,2", "-1"] {
            assert!(matches!(parse_order(text), Err(OrderError::NotAnOrder { .. })), "{text}");
        }
        assert_eq!(parse_order(" "), Err(OrderError::Empty));
        assert!(parse_order("1,1").is_err());
    }
}
