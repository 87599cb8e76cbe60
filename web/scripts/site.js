import './../styles/site.css';
