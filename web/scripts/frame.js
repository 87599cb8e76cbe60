// On every page: the switch between light and dark.
import { themeSwitch } from './frame/theme-switch.js';

themeSwitch(document.getElementById('theme'));
