# Writes reference_players.csv: players' variances by group (glmmTMB), notes' variances by group (nlme's
# varIdent) and players' own slopes and own deviations (lme4, lmerTest), of the simulated corpora beside this
# script.
#
#   Rscript reference_players.R
#
# R is needed to make the numbers anew, never to run the tests.

suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(glmmTMB); library(nlme)})
out <- data.frame()
add <- function(model, kind, term, value)
  out <<- rbind(out, data.frame(model = model, kind = kind, term = term, value = as.numeric(value)))
read <- function(name) {
  d <- read.csv(paste0(name, ".csv"))
  d$period <- factor(d$period); d$region <- factor(d$region)
  d$rec <- paste(d$player, d$recording)
  d$x <- (d$decade - 1950) / 30
  d
}
fixed <- function(name, estimate, se) for (term in names(estimate)) {
  add(name, "estimate", term, estimate[term]); add(name, "se", term, se[term])
}

# One variance of players for each group.
d <- read("slope")
m <- glmmTMB(rate ~ region + midi + diag(0 + region | player) + (1 | rec), d, REML = TRUE,
             control = glmmTMBControl(optimizer = optim, optArgs = list(method = "BFGS"),
                                      optCtrl = list(reltol = 1e-15, maxit = 1e4)))
v <- VarCorr(m)$cond
for (g in names(attr(v$player, "stddev"))) add("spread", "sd", g, attr(v$player, "stddev")[g])
add("spread", "sd", "rec", attr(v$rec, "stddev"))
add("spread", "sd", "residual", sigma(m))
for (term in names(fixef(m)$cond)) add("spread", "estimate", term, fixef(m)$cond[term])
add("spread", "criterion", "", -2 * logLik(m))

# The same by nlme.
m <- lme(rate ~ region + midi, random = list(player = pdDiag(~ 0 + region), rec = ~ 1), d, method = "REML",
         control = lmeControl(opt = "optim", tolerance = 1e-12, msTol = 1e-12, msMaxIter = 1000, maxIter = 1000))
v <- VarCorr(m)
for (k in which(rownames(v) %in% c("regionA", "regionB"))) add("spread nlme", "sd", rownames(v)[k], v[k, "StdDev"])
add("spread nlme", "criterion", "", -2 * logLik(m))
fixed("spread nlme", fixef(m), sqrt(diag(vcov(m))))

# One variance of notes for each group.
m <- lme(rate ~ region + midi, random = ~ 1 | player / rec, d, method = "REML",
         weights = varIdent(form = ~ 1 | region),
         control = lmeControl(opt = "optim", tolerance = 1e-12, msTol = 1e-12, msMaxIter = 1000, maxIter = 1000))
ratio <- coef(m$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
for (g in names(ratio)) add("notes", "sd", g, m$sigma * ratio[g])
fixed("notes", fixef(m), sqrt(diag(vcov(m))))

# Own slopes, uncorrelated with the level, of a centred number.
tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE,
                     optCtrl = list(rhobeg = 2e-2, rhoend = 1e-9, maxfun = 1e5))
d <- read("slope_independent"); d$z <- d$x - mean(d$x); d$m <- d$midi - mean(d$midi)
m <- lmerTest::lmer(rate ~ x + midi + (1 + z + m || player) + (1 | rec), d, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(m))
for (k in seq_len(nrow(v))) add("own slopes", "sd", paste(sub("\\.[0-9]+$", "", v$grp[k]),
                                ifelse(is.na(v$var1[k]), "", v$var1[k])), v$sdcor[k])
k <- coef(summary(m, ddf = "Satterthwaite"))
for (term in rownames(k)) for (column in c("Estimate", "Std. Error", "df")) add("own slopes", column, term, k[term, column])
add("own slopes", "criterion", "", REMLcrit(m))

# Own deviations at the levels of a factor that changes within players: the notes' halves, high and low.
d <- read("unbalanced"); d$register <- factor(ifelse(d$midi > median(d$midi), "high", "low"))
m <- lmerTest::lmer(rate ~ register + (1 | player) + (1 | rec) + (1 | player:register), d, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(m))
for (k in seq_len(nrow(v))) add("own factor", "sd", v$grp[k], v$sdcor[k])
k <- coef(summary(m, ddf = "Satterthwaite"))
for (term in rownames(k)) for (column in c("Estimate", "Std. Error", "df")) add("own factor", column, term, k[term, column])
add("own factor", "criterion", "", REMLcrit(m))

out$value <- formatC(out$value, digits = 10, width = 1, format = "g")
write.csv(out, "reference_players.csv", row.names = FALSE, quote = TRUE, eol = "\n")
versions <- c(R = R.version.string, sapply(c("lme4", "lmerTest", "glmmTMB", "nlme"),
                                           function(p) as.character(packageVersion(p))))
writeLines(paste(names(versions), versions), "reference_players_versions.txt")
