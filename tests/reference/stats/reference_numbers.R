# Writes reference_numbers.csv: what lme4, lmerTest, pbkrtest and emmeans say of the simulated corpora
# beside this script, and of dietox and pastes as shipped with statsmodels.
#
#   Rscript reference_numbers.R PATH_TO_statsmodels/regression/tests/results
#
# R is needed to make the numbers anew, never to run the tests.

suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)})
options(contrasts = c("contr.treatment", "contr.poly"))
out <- data.frame()
add <- function(model, kind, term, value)
  out <<- rbind(out, data.frame(model = model, kind = kind, term = term, value = as.numeric(value)))
tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE,
                     optCtrl = list(rhobeg = 2e-2, rhoend = 1e-9, maxfun = 1e5))

variances <- function(name, m) {
  v <- as.data.frame(VarCorr(m))
  for (k in seq_len(nrow(v)))
    add(name, "sdcor", paste(sub("\\.[0-9]+$", "", v$grp[k]), ifelse(is.na(v$var1[k]), "", v$var1[k]),
                             ifelse(is.na(v$var2[k]), "", v$var2[k])), v$sdcor[k])
}

coefficients <- function(name, kind, table) {
  for (term in rownames(table)) for (column in colnames(table))
    add(name, paste(kind, column), term, table[term, column])
}

fit <- function(name, formula, data, weights = NULL, kr = TRUE, joint = NULL, means = NULL) {
  data$.w <- if (is.null(weights)) 1 else data[[weights]] / mean(data[[weights]])
  m <- lmerTest::lmer(formula, data, REML = TRUE, weights = .w, control = tight)
  add(name, "criterion", "", REMLcrit(m))
  variances(name, m)
  coefficients(name, "satterthwaite", coef(summary(m, ddf = "Satterthwaite")))
  if (kr) coefficients(name, "kenward-roger", coef(summary(m, ddf = "Kenward-Roger")))
  if (!is.null(joint)) for (ddf in if (kr) c("Satterthwaite", "Kenward-Roger") else "Satterthwaite") {
    L <- diag(length(fixef(m)))[grep(joint, names(fixef(m))), , drop = FALSE]
    j <- contestMD(m, L, ddf = ddf)
    for (column in c("F value", "DenDF", "Pr(>F)"))
      add(name, paste("joint", tolower(ddf), column), joint, j[[column]])
  }
  if (!is.null(means)) for (ddf in if (kr) c("satterthwaite", "kenward-roger") else "satterthwaite") {
    e <- emmeans(m, means, lmer.df = ddf, data = data)
    s <- as.data.frame(e)
    for (k in seq_len(nrow(s))) for (column in c("emmean", "SE", "df", "lower.CL", "upper.CL"))
      add(name, paste("means", ddf, column), as.character(s[[1]][k]), s[[column]][k])
    p <- as.data.frame(summary(pairs(e, reverse = TRUE, adjust = "holm"), infer = TRUE))
    q <- as.data.frame(summary(pairs(e, reverse = TRUE, adjust = "none"), infer = TRUE))
    for (k in seq_len(nrow(p))) {
      add(name, paste("pairs", ddf, "p.holm"), as.character(p$contrast[k]), p$p.value[k])
      for (column in c("estimate", "SE", "df", "t.ratio", "p.value", "lower.CL", "upper.CL"))
        add(name, paste("pairs", ddf, column), as.character(q$contrast[k]), q[[column]][k])
    }
  }
  m
}

read <- function(name) {
  d <- read.csv(paste0(name, ".csv"))
  d$period <- factor(d$period)
  d$rec <- paste(d$player, d$recording)
  d$x <- (d$decade - 1950) / 30
  d
}

fit("balanced", rate ~ period + (1 | player) + (1 | rec), read("balanced"), means = "period")
fit("six_players", rate ~ period + (1 | player) + (1 | rec), read("six_players"), means = "period")
fit("unbalanced", rate ~ period * region + midi + (1 | player) + (1 | rec), read("unbalanced"),
    joint = "period.*:region", means = "period")
fit("one_recording", rate ~ period + region + midi + (1 | player) + (1 | rec), read("one_recording"),
    joint = "^period", means = "period")
fit("crossed", rate ~ period + midi + (1 | player) + (1 | rec) + (1 | piece), read("crossed"),
    joint = "^period", means = "period")
fit("crossed_unbalanced", rate ~ x + region + (1 | player) + (1 | rec) + (1 | piece),
    read("crossed_unbalanced"), means = "region")
fit("boundary_player", rate ~ period + (1 | player) + (1 | rec), read("boundary_player"), means = "period")
fit("boundary_recording", rate ~ period + midi + (1 | player) + (1 | rec), read("boundary_recording"),
    means = "period")
fit("slope", rate ~ x + (1 + x | player) + (1 | rec), read("slope"))
fit("slope_independent", rate ~ x + midi + (1 + x || player) + (1 | rec), read("slope_independent"))
fit("weighted", rate ~ period + midi + (1 | player) + (1 | rec), read("weighted"), weights = "weight",
    kr = FALSE, joint = "^period", means = "period")
fit("weighted_crossed", rate ~ period + (1 | player) + (1 | rec) + (1 | piece), read("weighted_crossed"),
    weights = "weight", kr = FALSE, means = "period")
fit("heavy_tailed", rate ~ period * region + (1 | player) + (1 | rec), read("heavy_tailed"),
    joint = "period.*:region", means = "period")
fit("log_extent", log2(extent) ~ period + midi + (1 | player) + (1 | rec), read("unbalanced"),
    means = "period")

# pbkrtest takes no weights. A weighted model is the unweighted one of rows times the root of the weight.
d <- read("weighted"); d$s <- sqrt(d$weight / mean(d$weight))
X <- model.matrix(~ period + midi, d)
d$y <- d$rate * d$s
for (k in seq_len(ncol(X))) d[[paste0("x", k)]] <- X[, k] * d$s
m <- lmerTest::lmer(y ~ 0 + x1 + x2 + x3 + x4 + (0 + s | player) + (0 + s | rec), d, control = tight)
k <- coef(summary(m, ddf = "Kenward-Roger")); rownames(k) <- colnames(X)
coefficients("weighted", "kenward-roger", k)

binomial_fit <- function(name, formula, data) {
  m <- glmer(formula, data, family = binomial,
             control = glmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 2e-2, rhoend = 1e-8, maxfun = 1e5),
                                    tolPwrss = 1e-13))
  for (again in 1:3) m <- update(m, start = getME(m, c("theta", "fixef")))
  add(name, "criterion", "", -2 * logLik(m))
  variances(name, m)
  # glmer's own Hessian is good to two digits only. Here numDeriv's (Richardson), with steps of a quarter
  # of a standard error, since the deviance is not smooth below that. A variance at zero is kept there.
  p <- c(getME(m, "theta"), fixef(m)); deviance <- update(m, devFunOnly = TRUE)
  theta <- seq_along(getME(m, "theta"))
  free <- !(seq_along(p) %in% theta & p < 1e-4)
  unit <- c(pmax(p[theta], 0.1), sqrt(diag(as.matrix(vcov(m, use.hessian = FALSE)))))[free]
  at <- function(v) { q <- p; q[!free] <- 0; q[free] <- p[free] + (v - 1) * unit; deviance(q) }
  H <- numDeriv::hessian(at, rep(1, sum(free)), method.args = list(d = 0.25))
  se <- sqrt(diag(2 * solve(H))) * unit; names(se) <- names(p)[free]
  given <- sqrt(diag(as.matrix(vcov(m, use.hessian = FALSE))))
  for (term in names(fixef(m))) {
    add(name, "se", term, se[term])
    add(name, "se given variances", term, given[term])
  }
  for (term in names(fixef(m))) add(name, "estimate", term, fixef(m)[term])
  m
}
b <- binomial_fit("presence", present ~ period + (1 | player) + (1 | rec), read("presence"))
e <- emmeans(b, "period")
s <- as.data.frame(summary(e, type = "response"))
for (k in seq_len(nrow(s))) add("presence", "probability", as.character(s$period[k]), s$prob[k])
p <- as.data.frame(pairs(e, reverse = TRUE, adjust = "none"))
for (k in seq_len(nrow(p))) add("presence", "pairs", as.character(p$contrast[k]), p$estimate[k])
binomial_fit("presence_crossed", present ~ x + region + (1 | player) + (1 | rec) + (1 | piece),
             read("presence_crossed"))
binomial_fit("presence_boundary", present ~ period + (1 | player) + (1 | rec), read("presence_boundary"))

where <- commandArgs(TRUE)[1]
dietox <- read.csv(file.path(where, "dietox.csv"))
fit("dietox", Weight ~ Time + (1 | Pig), dietox)
fit("dietox_slope", Weight ~ Time + (1 + Time | Pig), dietox)
fit("dietox_independent", Weight ~ Time + (1 + Time || Pig), dietox)
pastes <- read.csv(file.path(where, "pastes.csv"))
pastes$sample <- paste(pastes$batch, pastes$cask)
fit("pastes", strength ~ 1 + (1 | batch) + (1 | sample), pastes)
fit("pastes_wrong", strength ~ 1 + (1 | batch) + (1 | cask), pastes)

out$value <- formatC(out$value, digits = 10, width = 1, format = "g")
write.csv(out, "reference_numbers.csv", row.names = FALSE, quote = TRUE, eol = "\n")
versions <- c(R = R.version.string, sapply(c("lme4", "lmerTest", "pbkrtest", "emmeans"),
                                           function(p) as.character(packageVersion(p))))
writeLines(paste(names(versions), versions), "reference_versions.txt")
