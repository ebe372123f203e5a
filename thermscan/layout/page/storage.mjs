// What was made so far, kept by the browser until it is saved.

/** Keeps a state under a key; tells whether the browser let it. */
export function keepState(key, state) {
  try {
    localStorage.setItem(key, JSON.stringify({ state, kept: new Date().toISOString() }));
    return true;
  } catch {
    return false;
  }
}

/** What was kept under a key, or null. */
export function keptState(key) {
  try {
    const kept = JSON.parse(localStorage.getItem(key) ?? "null");
    const sound = kept && Array.isArray(kept.state?.parts) && Array.isArray(kept.state?.corners) && kept.state.board;
    return sound ? kept : null;
  } catch {
    return null;
  }
}

export function dropState(key) {
  try {
    localStorage.removeItem(key);
  } catch {
    // Nothing was kept, so nothing need go.
  }
}
