// A choice from a list takes effect at once.

/** @param {HTMLFormElement} form */
export function submitOnChoice(form) {
  for (const select of form.querySelectorAll('select')) {
    // A keyboard changes a select at every arrow; only a choice made with the pointer is meant at once.
    let typed = false;
    select.addEventListener('keydown', () => {
      typed = true;
    });
    select.addEventListener('pointerdown', () => {
      typed = false;
    });
    select.addEventListener('change', () => {
      if (!typed) form.requestSubmit();
    });
  }
}
