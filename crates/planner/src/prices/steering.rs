//! Steps of the ascent.

/// Adam: steps along a running mean of the slopes, each in proportion to their usual size.
pub(super) struct Steering {
    scales: Vec<f64>,
    mean: Vec<f64>,
    square: Vec<f64>,
    /// What is left of the zeros that the running means began with.
    decay_mean: f64,
    decay_square: f64,
}

impl Steering {
    const MEAN: f64 = 0.9;
    const SQUARE: f64 = 0.999;

    pub(super) fn new(scales: Vec<f64>) -> Self {
        Self {
            mean: vec![0.0; scales.len()],
            square: vec![0.0; scales.len()],
            scales,
            decay_mean: 1.0,
            decay_square: 1.0,
        }
    }

    pub(super) fn step(&mut self, point: &mut [f64], slopes: &[f64], rate: f64) {
        self.decay_mean *= Self::MEAN;
        self.decay_square *= Self::SQUARE;
        for (i, (value, &slope)) in point.iter_mut().zip(slopes).enumerate() {
            let (mean, square) = (&mut self.mean[i], &mut self.square[i]);
            *mean = Self::MEAN * *mean + (1.0 - Self::MEAN) * slope;
            *square = Self::SQUARE * *square + (1.0 - Self::SQUARE) * slope * slope;
            let direction = *mean / (1.0 - self.decay_mean);
            let size = (*square / (1.0 - self.decay_square)).sqrt() + 1e-2;
            *value += rate * self.scales[i] * direction / size;
        }
    }
}
