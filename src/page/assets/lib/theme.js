// Light or dark: as the phone has it, or as chosen here.

const NAME = 'theme';

export const theme = {
  get() {
    try {
      return localStorage.getItem(NAME) || 'auto';
    } catch {
      return 'auto';
    }
  },
  set(value) {
    try {
      localStorage.setItem(NAME, value);
    } catch {
      // Held for this visit all the same.
    }
    this.apply(value);
  },
  apply(value = this.get()) {
    if (value === 'auto') document.documentElement.removeAttribute('data-theme');
    else document.documentElement.setAttribute('data-theme', value);
    window.dispatchEvent(new Event('resize'));
  },
};
