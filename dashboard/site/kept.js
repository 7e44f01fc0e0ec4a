// What this browser remembers: the tokens for this tab, the units for this browser.

export const TOKEN = "bayledger-token"; // reads
export const CHANGE = "bayledger-change-token"; // strikes and amends; sent with nothing else
export const UNITS = "bayledger-units";

// A browser may forbid storage; then nothing is remembered, and nothing breaks.
export function remembered(store, name) {
  try {
    return window[store].getItem(name);
  } catch {
    return null;
  }
}

export function remember(store, name, value) {
  try {
    window[store].setItem(name, value);
  } catch {
    /* not remembered */
  }
}

export function forget(store, name) {
  try {
    window[store].removeItem(name);
  } catch {
    /* nothing was kept */
  }
}
