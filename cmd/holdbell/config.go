package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"holdbell/configs"
)

// maxConfig is far more than any kitchen needs, and keeps a wrong path from filling the memory.
const maxConfig = 1 << 20

// configFlag adds --config to a verb.
func configFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVar(path, "config", defaultConfig, "the configuration's `FILE`")
}

func rootFlag(cmd *cobra.Command, root *string) {
	cmd.Flags().StringVar(root, "root", "/", "the `FOLDER` under which the kernel's files are read")
}

// loadConfig reads a configuration, with the base that it may name. Every error of it ends in exitUsage: trying again changes nothing.
func loadConfig(path string) (*configs.Config, error) {
	cfg, err := configs.Load(path, func(path string) ([]byte, error) { return readLimited(path, maxConfig) })
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, &exit{exitUsage, fmt.Errorf("%w; name the configuration with --config FILE", err)}
	case err != nil:
		return nil, &exit{exitUsage, err}
	}
	return cfg, nil
}

func readLimited(path string, limit int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > limit {
		return nil, fmt.Errorf("%s is larger than %d bytes; that is no configuration", path, limit)
	}
	return data, nil
}
