# Reference values for the kidney formulas, computed in R.
#
#   Rscript --vanilla reference.R > reference.csv
#
# Nothing here is shared with the Go code: the equations are written in another
# form where there is one (logarithms and splines instead of powers, root finding
# instead of an inverse or a fixed point, quadrature instead of an integral), and
# fits are R's own lm and nls. The coefficients are published; they are typed
# here a second time. See README.md for the columns.
#
# Data are invented, but for R's data set Indometh and NIST's Norris.

options(digits = 17, warn = 2)
RNGversion("4.2.0")
set.seed(20260203, kind = "Mersenne-Twister", normal.kind = "Inversion")

number <- function(x) sprintf("%.17g", x)
# A concentration as a laboratory reports it, and as a reader of the CSV gets it.
decimals <- function(x, n) as.numeric(sprintf("%.*f", n, x))
# Inputs in their shortest form that reads back as the same number.
several <- function(x) {
  short <- sprintf("%.15g", x)
  paste(ifelse(as.numeric(short) == x, short, number(x)), collapse = "|")
}

rows <- character()
emit <- function(kind, name, inputs, ...) {
  texts <- vapply(inputs, function(x) if (is.character(x)) x else several(x), "")
  given <- paste(names(inputs), texts, sep = "=", collapse = ";")
  values <- list(...)
  for (quantity in names(values)) {
    value <- values[[quantity]]
    stopifnot(is.finite(value), length(value) == 1)
    rows[length(rows) + 1] <<- paste(kind, name, given, quantity, number(value), sep = ",")
  }
}

sexes <- c("F", "M")

# ---- CKD-EPI as log-linear splines ------------------------------------------
# Inker, N Engl J Med 2021;385:1737 and 2012;367:20.

spline <- function(x, knot, below, above) {
  below * pmin(log(x / knot), 0) + above * pmax(log(x / knot), 0)
}

log_cr <- function(scr, age, sex) {
  f <- sex == "F"
  log(142) + spline(scr, if (f) 0.7 else 0.9, if (f) -0.241 else -0.302, -1.2) +
    age * log(0.9938) + f * log(1.012)
}

log_cys <- function(cys, age, sex) {
  log(133) + spline(cys, 0.8, -0.499, -1.328) + age * log(0.996) + (sex == "F") * log(0.932)
}

log_cr_cys <- function(scr, cys, age, sex) {
  f <- sex == "F"
  log(135) + spline(scr, if (f) 0.7 else 0.9, if (f) -0.219 else -0.144, -0.544) +
    spline(cys, 0.8, -0.323, -0.778) + age * log(0.9961) + f * log(0.963)
}

ages <- c(18, 25, 35, 45, 55, 65, 75, 85)
creatinines <- c(0.3, 0.45, 0.6, 0.7, 0.75, 0.85, 0.9, 1, 1.15, 1.4, 2, 3)
cystatins <- c(0.4, 0.55, 0.7, 0.8, 0.85, 0.95, 1.1, 1.4, 1.9, 2.5)

for (sex in sexes) for (age in ages) for (scr in creatinines) {
  emit("ckdepi-cr-2021", sprintf("%s-%g-%g", sex, age, scr),
    list(sex = sex, age = age, scr = scr), egfr = exp(log_cr(scr, age, sex)))
}
for (sex in sexes) for (age in ages) for (cys in cystatins) {
  emit("ckdepi-cys-2012", sprintf("%s-%g-%g", sex, age, cys),
    list(sex = sex, age = age, cys = cys), egfr = exp(log_cys(cys, age, sex)))
}
for (sex in sexes) for (age in c(18, 40, 62, 85)) for (scr in c(0.3, 0.6, 0.7, 0.9, 1.2, 3)) {
  for (cys in c(0.4, 0.7, 0.8, 1.1, 2.5)) {
    emit("ckdepi-cr-cys-2021", sprintf("%s-%g-%g-%g", sex, age, scr, cys),
      list(sex = sex, age = age, scr = scr, cys = cys), egfr = exp(log_cr_cys(scr, cys, age, sex)))
  }
}

# ---- creatinine after donation: the root of CKD-EPI 2021 ---------------------

for (sex in sexes) for (age in c(20, 45, 70)) for (scr in c(0.4, 0.6, 0.7, 0.8, 0.9, 1.1, 1.5)) {
  for (fraction in c(0.65, 0.68, 0.7)) {
    wanted <- log(fraction) + log_cr(scr, age, sex)
    root <- uniroot(function(u) log_cr(exp(u), age, sex) - wanted, log(c(0.01, 50)), tol = 1e-15, maxiter = 1000)
    emit("creatinine-after-donation", sprintf("%s-%g-%g-%g", sex, age, scr, fraction),
      list(sex = sex, age = age, scr = scr, fraction = fraction), creatinine = exp(root$root))
  }
}

# ---- body size ---------------------------------------------------------------
# Du Bois 1916, Mosteller 1987 and Haycock 1978, in logarithms.

for (h in c(120, 138, 150, 163, 172, 185, 201, 230)) for (w in c(30, 44, 52.5, 68, 81, 97.3, 140, 250)) {
  emit("body", sprintf("%g-%g", h, w), list(h = h, w = w),
    bmi = exp(log(w) - 2 * (log(h) - log(100))),
    bsa_dubois = exp(log(0.007184) + 0.425 * log(w) + 0.725 * log(h)),
    bsa_mosteller = exp((log(h) + log(w) - log(3600)) / 2),
    bsa_haycock = exp(log(0.024265) + 0.5378 * log(w) + 0.3964 * log(h)))
}

# ---- slope-intercept ---------------------------------------------------------
# Dose in mg, concentrations in ug/mL, times in min. The standard error of the
# clearance D k / C0 = -D b exp(-a) is that of the delta method from vcov of the
# line, for a dose known exactly.

slope <- function(name, dose, t, c) {
  stopifnot(c > 0, diff(t) > 0, diff(c) < 0)
  fit <- lm(log(c) ~ t)
  a <- coef(fit)[[1]]
  b <- coef(fit)[[2]]
  clearance <- -dose * 1000 * b * exp(-a)
  values <- list(slope = b, intercept = a, clearance = clearance)
  if (length(t) > 2) {
    gradient <- c(-clearance, clearance / b)
    values <- c(values,
      r_squared = summary(fit)$r.squared,
      residual_sd = summary(fit)$sigma,
      intercept_se = sqrt(vcov(fit)[1, 1]),
      slope_se = sqrt(vcov(fit)[2, 2]),
      clearance_se = sqrt(drop(gradient %*% vcov(fit) %*% gradient)))
  }
  do.call(emit, c(list("slope-intercept", name, list(D = dose, t = t, c = c)), values))
}

schedules <- list(
  c(120, 180, 240), c(120, 150, 180, 240), c(120, 150, 180, 210, 240),
  c(125, 185, 245, 300), c(120, 165, 210, 255, 300), c(122, 151, 183, 212, 238, 271))
for (i in 1:30) {
  t <- schedules[[(i - 1) %% length(schedules) + 1]]
  k <- runif(1, 0.0035, 0.009)
  c0 <- runif(1, 150, 320)
  noise <- rnorm(length(t), sd = c(0.005, 0.01, 0.02)[(i - 1) %% 3 + 1])
  slope(sprintf("study-%02d", i), decimals(runif(1, 2500, 6500), 0), t, decimals(c0 * exp(-k * t + noise), 1))
}
slope("case-A", 3235, c(120, 180, 240), c(127.4, 91.2, 65.3))
slope("case-B", 3235, c(120, 150, 180, 240), c(153, 133.1, 116.4, 88.6))
slope("case-C", 3235, c(120, 240), c(98, 44))
slope("case-D", 3235, c(120, 180, 240), c(127.4, 118, 65.3))
slope("ekfc-example", 3273.82, c(160, 180, 200, 220, 232, 240), c(70, 60, 47, 37, 30, 25))

# ---- two compartments --------------------------------------------------------

biexponential <- deriv(~ A * exp(-alpha * t) + B * exp(-beta * t), c("A", "alpha", "B", "beta"),
  function(t, A, alpha, B, beta) NULL)

# weighted_fit is nls, and then its Gauss-Newton steps until the parameters stand
# still: nls itself stops when the sum of squares does. scaleOffset lets it
# accept data without noise.
weighted_fit <- function(t, c, start, weights) {
  control <- nls.control(maxiter = 200, tol = 1e-7, scaleOffset = 1)
  fit <- nls(c ~ biexponential(t, A, alpha, B, beta), start = start, weights = weights, control = control)
  p <- coef(fit)
  for (i in 1:100) {
    curve <- do.call(biexponential, c(list(t), as.list(p)))
    step <- qr.solve(sqrt(weights) * attr(curve, "gradient"), sqrt(weights) * (c - curve))
    p <- p + step
    if (max(abs(step / p)) < 1e-13) break
  }
  stopifnot(i < 100, abs(p / coef(fit) - 1) < 1e-5, p > 0, p["alpha"] > p["beta"])
  c(as.list(p), rss = sum(weights * (c - do.call(biexponential, c(list(t), as.list(p))))^2))
}

area <- function(p) {
  curve <- function(t) p$A * exp(-p$alpha * t) + p$B * exp(-p$beta * t)
  # In pieces of the fast and the slow phase, so that none is overlooked.
  breaks <- c(0, 1 / p$alpha, 5 / p$alpha, 20 / p$alpha, Inf)
  sum(vapply(1:4, function(i) integrate(curve, breaks[i], breaks[i + 1], rel.tol = 1e-11, subdivisions = 1000L)$value, 0))
}

two_compartments <- function(name, dose, truth, noise, digits) {
  t <- c(5, 10, 15, 30, 60, 90, 120, 150, 180, 240)
  c <- with(truth, A * exp(-alpha * t) + B * exp(-beta * t)) * exp(noise)
  if (is.finite(digits)) c <- decimals(c, digits)
  p <- weighted_fit(t, c, lapply(truth, function(x) x * 1.02), 1 / c^2)
  auc <- p$A / p$alpha + p$B / p$beta
  values <- list(A = p$A, alpha = p$alpha, B = p$B, beta = p$beta, auc = auc, auc_integrated = area(p),
    clearance = dose * 1000 / auc)
  # Without noise the sum of squares is nothing but rounding.
  if (is.finite(digits)) values$weighted_rss <- p$rss
  do.call(emit, c(list("two-compartment", name, list(D = dose, t = t, c = c)), values))
}

truths <- list(
  list(A = 210, alpha = 0.045, B = 190, beta = 0.0055),
  list(A = 260, alpha = 0.055, B = 230, beta = 0.0048),
  list(A = 150, alpha = 0.035, B = 160, beta = 0.0062))
for (i in seq_along(truths)) {
  two_compartments(sprintf("curve-%d-exact", i), 3235, truths[[i]], 0, Inf)
  for (percent in 1:3) {
    two_compartments(sprintf("curve-%d-noise-%d", i, percent), 3235, truths[[i]], rnorm(10, sd = percent / 100), 2)
  }
}

# ---- Indometh, R's own data set ----------------------------------------------
# Six subjects, mcg/mL over hours (Kwan, J Pharmacokinet Biopharm 1976;4:255).

for (subject in 1:6) {
  data <- as.data.frame(Indometh[Indometh$Subject == subject, c("time", "conc")])
  first <- nls(conc ~ SSbiexp(time, A1, lrc1, A2, lrc2), data = data)
  start <- with(as.list(coef(first)), list(A = A1, alpha = exp(lrc1), B = A2, beta = exp(lrc2)))
  for (weighting in c("none", "1/c^2")) {
    weights <- if (weighting == "none") rep(1, nrow(data)) else 1 / data$conc^2
    p <- weighted_fit(data$time, data$conc, start, weights)
    # Without weights this only refines what SSbiexp found.
    stopifnot(weighting != "none" || all(abs(unlist(p[names(start)]) / unlist(start) - 1) < 1e-4))
    emit("indometh", sprintf("subject-%d-%s", subject, if (weighting == "none") "unweighted" else "weighted"),
      list(weights = weighting, t = data$time, c = data$conc),
      A = p$A, alpha = p$alpha, B = p$B, beta = p$beta,
      auc = p$A / p$alpha + p$B / p$beta, auc_integrated = area(p), weighted_rss = p$rss)
  }
}

# ---- single sample -----------------------------------------------------------
# Jacobsson, Clin Physiol 1983;3:297 (0.0016 from memory), and the form of the
# EKFC recommendations (Ebert, Kidney Int 2024). Volumes in mL: Granerus, and
# Faucon, Kidney Int Rep 2022. Q in ug, ct in ug/mL, t in min.

volume <- function(method, sex, w, h, age) {
  f <- sex == "F"
  if (method == "granerus") return(if (f) 95 * w + 6170 else 166 * w + 2490)
  1000 * ((if (f) -3.3407 else -2.6631) + 0.1393 * w + 0.0455 * h + 0.0125 * age)
}

m <- function(cl) 0.991 - 0.00122 * cl

# The equation without its division: the logarithm of the dilution equals the
# part that was cleared.
balance_1983 <- function(cl, q, v, ct, t) log(q) + log(m(cl)) - log(v) - log(ct) - cl * (t * m(cl) / v + 0.0016)
balance_ekfc <- function(cl, q, v, ct, t) {
  log(q) + log(m(cl)) - log(v) - log(ct) - cl * t * m(cl) / v + log(0.495) + log(1 + sqrt(1 - 0.0049 * cl))
}

only_root <- function(f, ...) {
  grid <- seq(1, 200, by = 0.05)
  stopifnot(sum(diff(sign(f(grid, ...))) != 0) == 1)
  uniroot(f, c(1, 200), ..., tol = 1e-13, maxiter = 1000)$root
}

single <- function(name, method, sex, w, h, age, q, t, ct) {
  v <- volume(method, sex, w, h, age)
  cl <- only_root(balance_1983, q = q, v = v, ct = ct, t = t)
  emit("single-sample", name,
    list(volume = method, sex = sex, w = w, h = h, age = age, Q = q, t = t, ct = ct),
    volume = v, clearance_1983 = cl, m_1983 = m(cl),
    clearance_ekfc = only_root(balance_ekfc, q = q, v = v, ct = ct, t = t))
}

single("reference-1", "granerus", "M", 68, 172, 40, 3235000, 240, 65.3)
single("reference-2", "granerus", "F", 54, 160, 62, 3235000, 240, 88.6)
single("reference-3", "granerus", "M", 92, 185, 50, 3235000, 240, 44)
single("reference-4", "granerus", "M", 87, 168, 55, 3273820, 390, 60)
single("case-05", "granerus", "F", 61, 168, 33, 3235000, 180, 95.2)
single("case-06", "granerus", "F", 75.5, 171, 47, 6470000, 210, 170.4)
single("case-07", "granerus", "M", 80, 179, 28, 3235000, 120, 102.5)
single("case-08", "faucon", "M", 68, 172, 40, 3235000, 240, 65.3)
single("case-09", "faucon", "F", 54, 160, 62, 3235000, 240, 88.6)
single("case-10", "faucon", "M", 92, 185, 50, 3235000, 240, 44)
single("case-11", "faucon", "F", 70, 175, 25, 3235000, 180, 90.1)
single("case-12", "faucon", "M", 101, 190, 66, 6470000, 300, 110.7)

# ---- a line through data with certified results ------------------------------
# NIST StRD, linear least squares, data set Norris. That lm returns NIST's
# certified values is the proof that the data are typed as published.

norris <- data.frame(
  y = c(0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
        0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
        0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2),
  x = c(0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
        0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
        0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5))
certified <- c(
  intercept = -0.262323073774029, slope = 1.00211681802045,
  intercept_se = 0.232818234301152, slope_se = 0.429796848199937e-3,
  residual_sd = 0.884796396144373, r_squared = 0.999993745883712)
fit <- lm(y ~ x, norris)
ours <- c(coef(fit), sqrt(diag(vcov(fit))), summary(fit)$sigma, summary(fit)$r.squared)
stopifnot(abs(ours / certified - 1) < 1e-11)
do.call(emit, c(list("line", "nist-norris", list(x = norris$x, y = norris$y)), as.list(certified)))

# ------------------------------------------------------------------------------

stopifnot(!anyDuplicated(sub("^([^,]*,[^,]*),[^,]*,([^,]*),.*$", "\\1,\\2", rows)))
cat("# Made by reference.R in this folder (Rscript --vanilla reference.R > reference.csv);\n",
    "# don't edit. README.md explains the columns.\n",
    "kind,name,inputs,quantity,value\n", paste0(rows, "\n"), sep = "")
