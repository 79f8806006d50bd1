//! Small sets of linear equations.

/// Gaussian elimination with partial pivoting; `b` becomes the solution. `a` is of shape `(m, m)`, row by row.
pub(crate) fn solve(a: &mut [f64], b: &mut [f64]) {
    let m = b.len();
    for k in 0..m {
        let pivot = (k..m).max_by(|&i, &j| a[i * m + k].abs().total_cmp(&a[j * m + k].abs())).unwrap_or(k);
        if pivot != k {
            for c in 0..m {
                a.swap(k * m + c, pivot * m + c);
            }
            b.swap(k, pivot);
        }
        let (head, tail) = a.split_at_mut((k + 1) * m);
        let top = &head[k * m..];
        for (i, row) in tail.chunks_exact_mut(m).enumerate() {
            let factor = row[k] / top[k];
            if factor != 0.0 {
                for (x, t) in row[k..].iter_mut().zip(&top[k..]) {
                    *x -= factor * t;
                }
                b[k + 1 + i] -= factor * b[k];
            }
        }
    }
    for k in (0..m).rev() {
        let row = &a[k * m..(k + 1) * m];
        let rest: f64 = row[k + 1..].iter().zip(&b[k + 1..]).map(|(x, y)| x * y).sum();
        b[k] = (b[k] - rest) / row[k];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_that_begins_with_zero_is_no_obstacle() {
        // 2 y + z = 7, x + y + z = 6, 4 x - y = 2: x = 1, y = 2, z = 3.
        let mut a = [0.0, 2.0, 1.0, 1.0, 1.0, 1.0, 4.0, -1.0, 0.0];
        let mut b = [7.0, 6.0, 2.0];
        solve(&mut a, &mut b);
        assert!(b.iter().zip([1.0, 2.0, 3.0]).all(|(x, want)| (x - want).abs() < 1e-12), "{b:?}");
    }
}
