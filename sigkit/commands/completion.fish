# Tab completion of sigkit in fish: sigkit completion fish > ~/.config/fish/completions/sigkit.fish
function __sigkit
    set -l typed (commandline -opc) (commandline -ct)
    set -l lines (sigkit completion words -- $typed[2..-1] 2>/dev/null)
    switch "$lines[1]"
        case files
            complete -C "'' "(commandline -ct)
        case folders
            complete -C "'' "(commandline -ct) | string match -r '.*/$'
        case words
            string join \n -- $lines[2..-1]
    end
end
complete -c sigkit -f -a '(__sigkit)'
