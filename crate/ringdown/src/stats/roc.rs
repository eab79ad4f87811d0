//! ROC, AUC and its DeLong variance.
