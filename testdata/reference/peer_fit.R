#!/usr/bin/Rscript
# Fit the 500-point series with R's own arima; print time and log-likelihood.
#
# Needs Debian's r-base-core. A local linear trend is an ARIMA(0,2,2) in reduced
# form; arima takes the same three regressors and maximises the exact likelihood
# of the differenced series, so that its log-likelihood compares with that of
# drift/fit (n - 2 terms; see README.md).
runs <- 5
optimum <- -164.98881310

args <- commandArgs()
here <- dirname(sub("^--file=", "", args[grep("^--file=", args)]))
data <- as.matrix(read.csv(file.path(here, "peer_series_500.csv")))
y <- data[, 1]
x <- data[, -1]
seconds <- numeric(runs)
for (i in seq_len(runs)) {
  seconds[i] <- system.time(fit <- arima(y, c(0, 2, 2), xreg = x, method = "ML"))[["elapsed"]]
}
cat(sprintf("R %s, n = %d, median of %d fits\n", getRversion(), length(y), runs))
cat(sprintf("arima   %7.1f ms  loglik %.6f (short by %.6f)  beta %s\n",
  1e3 * median(seconds), fit$loglik, optimum - fit$loglik, paste(sprintf("%.5f", coef(fit)[-(1:2)]), collapse = " ")))
