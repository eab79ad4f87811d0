//! Regression under the sole assumption of a rising curve.

/// Least-squares non-decreasing fit to `values` with positive `weights` (pool adjacent violators; M. Ayer et al., Ann.
/// Math. Stat. 26 (1955) 641). Values beyond the shorter slice are left out.
pub fn rising(values: &[f64], weights: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, f64, usize)> = Vec::new();
    for (value, weight) in values.iter().zip(weights) {
        let mut block = (*value, *weight, 1);
        while let Some(last) = blocks.pop_if(|last| last.0 >= block.0) {
            let weight = last.1 + block.1;
            block = ((last.0 * last.1 + block.0 * block.1) / weight, weight, last.2 + block.2);
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|(value, _, count)| std::iter::repeat_n(*value, *count)).collect()
}
