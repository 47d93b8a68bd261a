# Restricted likelihood of presence models: glmmTMB with REML = TRUE, random intercepts of players and recordings.
# Run in this folder: Rscript reference_presence.R
suppressMessages(library(glmmTMB))
out <- data.frame()
for (name in c("presence", "presence_boundary")) {
  d <- read.csv(paste0(name, ".csv"))
  m <- glmmTMB(present ~ factor(period) + (1 | player) + (1 | player:recording), d, family = binomial, REML = TRUE)
  v <- VarCorr(m)$cond
  sd <- c(player = attr(v$player, "stddev")[[1]], recording = attr(v[["player:recording"]], "stddev")[[1]])
  se <- sqrt(diag(vcov(m)$cond))
  out <- rbind(out, data.frame(model = name, kind = "sd", term = names(sd), value = sd),
               data.frame(model = name, kind = "se", term = names(se), value = se))
}
out$value <- formatC(out$value, digits = 10, width = 1, format = "g")
write.csv(out, "reference_presence.csv", row.names = FALSE, quote = TRUE, eol = "\n")
