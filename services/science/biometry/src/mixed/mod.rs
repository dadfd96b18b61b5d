//! Linear mixed models by residual maximum likelihood.
